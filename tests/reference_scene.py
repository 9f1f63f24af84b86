"""Scans of a rule, a glass scale or a checkerboard, written down by formula for tests; the package draws nothing here.

A rectangle under a Gaussian blur is a product of normal integrals in its own frame. Pixels are taken to their true
places on the glass (scale, slow carriage error) and averaged over the four Gauss points of their square.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]
INCH = 25.4
_POINTS = (-0.5 / np.sqrt(3), 0.5 / np.sqrt(3))


@dataclass(frozen=True, kw_only=True)
class Glass:
    """What the carriage and the sensor do: true position of nominal position, mm; the slow error is along y."""

    scale_x: float = 1.0
    scale_y: float = 1.0
    slow_mm: float = 0.0
    period_mm: float = 80.0
    phase: float = 0.4

    def true_x(self, x: Floats) -> Floats:
        return np.asarray(x) * self.scale_x

    def true_y(self, y: Floats) -> Floats:
        return np.asarray(y) * self.scale_y + self.slow_mm * np.sin(
            2 * np.pi * np.asarray(y) / self.period_mm + self.phase
        )


@dataclass(frozen=True, kw_only=True)
class Rectangle:
    """A turned rectangle on the glass, true mm, y down; `step` is what it adds to the light."""

    x: float
    y: float
    half_u: float
    half_v: float
    angle_deg: float
    step: float

    def add(self, light: Floats, glass: Glass, px: float, blur: float) -> None:
        turn = np.radians(self.angle_deg)
        c, s = np.cos(turn), np.sin(turn)
        reach_x = abs(c) * self.half_u + abs(s) * self.half_v + 5 * blur + 0.3
        reach_y = abs(s) * self.half_u + abs(c) * self.half_v + 5 * blur + 0.3
        rows, columns = light.shape
        # Nominal and true places differ by less than 2 % and a tenth of a millimetre.
        a = slice(max(0, int((self.y - reach_y - 0.02 * self.y) / px)), min(rows, int((self.y * 1.02 + reach_y) / px)))
        b = slice(
            max(0, int((self.x - reach_x - 0.02 * self.x) / px)), min(columns, int((self.x * 1.02 + reach_x) / px))
        )
        if a.start >= a.stop or b.start >= b.stop:
            return
        total = np.zeros((a.stop - a.start, b.stop - b.start))
        for dy in _POINTS:
            y = glass.true_y((np.arange(a.start, a.stop) + dy) * px)[:, None] - self.y
            for dx in _POINTS:
                x = glass.true_x((np.arange(b.start, b.stop) + dx) * px)[None, :] - self.x
                u, v = c * x + s * y, -s * x + c * y
                along = ndtr((u + self.half_u) / blur) - ndtr((u - self.half_u) / blur)
                total += along * (ndtr((v + self.half_v) / blur) - ndtr((v - self.half_v) / blur))
        light[a, b] += self.step * total / 4


@dataclass(frozen=True, kw_only=True)
class Thing:
    """A rule, a glass scale or a board: middle and turn on the glass in true mm, y down."""

    kind: str = "rule"
    x_mm: float = 30.0
    y_mm: float = 10.0
    angle_deg: float = 0.0
    pitch_mm: float = 0.5
    n: int = 80
    line_mm: float = 0.11
    width_mm: float = 10.0
    body: float = 0.38
    ink: float = 0.06
    scatter_mm: float = 0.0
    missing: tuple[int, ...] = ()
    seed: int = 0

    def rectangles(self, background: float) -> list[Rectangle]:
        length = self.n * self.pitch_mm
        out = [self._at(0, 0, length / 2 + 3, self.width_mm / 2, self.body - background)]
        step = self.ink - self.body
        if self.kind == "board":
            rows = int((self.width_mm - 2) / self.pitch_mm)
            half = self.pitch_mm / 2
            for k in range(self.n):
                for m in range(rows):
                    if (k + m) % 2 == 0:
                        u, v = (k + 0.5 - self.n / 2) * self.pitch_mm, (m + 0.5 - rows / 2) * self.pitch_mm
                        out.append(self._at(u, v, half, half, step))
            return out
        wander = np.random.default_rng(self.seed).normal(0, self.scatter_mm, self.n + 1)
        for k in range(self.n + 1):
            if k in self.missing:
                continue
            tall = 5.0 if k % 10 == 0 else 3.8 if k % 5 == 0 else 2.6
            low, high = self.width_mm / 2 - tall, self.width_mm / 2 - 0.15
            place = k * self.pitch_mm - length / 2 + wander[k]
            out.append(self._at(place, (low + high) / 2, self.line_mm / 2, (high - low) / 2, step))
        return out

    def _at(self, u: float, v: float, half_u: float, half_v: float, step: float) -> Rectangle:
        turn = np.radians(self.angle_deg)
        c, s = np.cos(turn), np.sin(turn)
        place = {"x": self.x_mm + c * u - s * v, "y": self.y_mm + s * u + c * v}
        return Rectangle(**place, half_u=half_u, half_v=half_v, angle_deg=self.angle_deg, step=step)


@dataclass(frozen=True, kw_only=True)
class Layout:
    """A picture to be made."""

    size_mm: tuple[float, float] = (60.0, 30.0)
    dpi: float = 1200.0
    glass: Glass = field(default_factory=Glass)
    things: tuple[Thing | Rectangle, ...] = (Thing(),)
    background: float = 0.03
    blur_mm: float = 0.016
    noise: float = 0.006
    dust: int = 0
    seed: int = 1


def light_of(layout: Layout) -> Floats:
    """The picture in linear light, without noise."""
    px = INCH / layout.dpi
    shape = tuple(round(s / px) for s in layout.size_mm[::-1])
    light = np.full(shape, layout.background)
    for thing in layout.things:
        parts = [thing] if isinstance(thing, Rectangle) else thing.rectangles(layout.background)
        for part in parts:
            part.add(light, layout.glass, px, layout.blur_mm)
    rng = np.random.default_rng([layout.seed, 1])
    for _ in range(layout.dust):
        radius, value = rng.uniform(0.05, 0.25) / px, rng.uniform(0.03, 0.7)
        row, column = rng.uniform(0, shape[0]), rng.uniform(0, shape[1])
        reach = int(radius + 5)
        a = slice(max(0, int(row) - reach), int(row) + reach)
        b = slice(max(0, int(column) - reach), int(column) + reach)
        y, x = np.mgrid[a.start : min(a.stop, shape[0]), b.start : min(b.stop, shape[1])]
        cover = ndtr((radius - np.hypot(y - row, x - column)) / (layout.blur_mm / px))
        light[a, b] = light[a, b] * (1 - cover) + value * cover
    return light


def encode(light: Floats, noise: float, seed: int) -> NDArray[np.uint8]:
    """8-bit sRGB of linear light with noise."""
    light = np.clip(light + np.random.default_rng([seed, 2]).normal(0, noise, light.shape), 0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.round(encoded * 255).astype(np.uint8)


def render(layout: Layout) -> NDArray[np.uint8]:
    """The picture, 8-bit grey, sRGB."""
    return encode(light_of(layout), layout.noise, layout.seed)
