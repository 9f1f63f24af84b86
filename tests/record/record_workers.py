"""What the killed and the competing programs do; a module of its own so that a new process can import it."""

from __future__ import annotations

import contextlib
from multiprocessing.connection import Connection

from record_samples import readings_table

from sharpset.errors import RecordError
from sharpset.record import open_record


def record_until_killed(place: str, seed: int, acknowledged: Connection) -> None:
    """Add entries without end; send each one's UUID when the call that added it has returned."""
    table = readings_table(f"scan of {seed}")
    with open_record(place) as record:
        number = 0
        while True:
            printer = record.add_printer(f"printer {seed} {number}", process="resin")
            acknowledged.send_bytes(printer.uuid.encode())
            with record.together():
                printed = record.add_print({"n": number}, printer=printer, name="pair")
                (read,) = record.add_readings(table, print=printed)
            acknowledged.send_bytes(f"{printed.uuid} {read.uuid}".encode())
            corrected = record.correct(printed, {"outcome": "good"}, note="seen")
            acknowledged.send_bytes(corrected.uuid.encode())
            recipe = record.add_recipe(f"recipe {seed} {number}", {"n": number}, limits={"bar": 0.2, "slot": 0.3})
            acknowledged.send_bytes(recipe.uuid.encode())
            number += 1


def record_some(place: str, bench: int, n_rounds: int, acknowledged: Connection) -> None:
    """Open a record (new, perhaps, and opened by others at the same moment), add entries, correct one recipe."""
    with open_record(place) as record:
        printer = record.add_printer(f"printer of bench {bench}", process="filament")
        done = [printer.uuid]
        for number in range(n_rounds):
            done.append(record.add_print({"n": number}, printer=printer).uuid)
            if record.list("recipe", text="shared").empty:
                with contextlib.suppress(RecordError):  # another bench was quicker
                    done.append(record.add_recipe("shared", {"speed": 1}).uuid)
            note = f"bench {bench}, round {number}"
            done.append(record.correct("shared", {"settings": {"speed": number}}, note=note, kind="recipe").uuid)
    for uuid in done:
        acknowledged.send_bytes(uuid.encode())
    acknowledged.close()
