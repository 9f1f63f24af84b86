"""Fits: from tables of readings and results to models, limits, settings and the next runs.

Tables in, tables out: nothing here knows a picture. Heavy modules are imported when one of their
names is first used.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

_HOME = {
    "BestSettings": "best",
    "BriefSearch": "search",
    "Confirmation": "confirm",
    "NextRuns": "sequential",
    "Prediction": "confirm",
    "judge_confirmation": "confirm",
    "load_prediction": "confirm",
    "next_runs": "sequential",
    "steepest_ascent": "sequential",
    "write_prediction": "confirm",
    "BoxCox": "boxcox",
    "Fit": "fit",
    "Forecast": "requirements",
    "FormedFit": "formed",
    "HitMiss": "hitmiss",
    "Lenth": "unreplicated",
    "Limit": "limits",
    "Margins": "margins",
    "MixedFit": "mixed",
    "Region": "region",
    "ResponseFit": "surface",
    "ShareFit": "shares",
    "Space": "space",
    "anova_table": "anova",
    "best_settings": "best",
    "brief_margins": "margins",
    "box_cox": "boxcox",
    "chance_map": "best",
    "cheapest_settings": "best",
    "describe_settings": "best",
    "desirability": "goals",
    "desirable_settings": "goals",
    "DesirableSettings": "goals",
    "Goal": "goals",
    "firth_logistic": "hitmiss",
    "fit_formed": "formed",
    "fit_hit_miss": "hitmiss",
    "fit_mixed": "mixed",
    "fit_plan": "fit",
    "fit_response": "regression",
    "fit_responses": "fit",
    "fit_share": "shares",
    "formed_counts": "responses",
    "formed_curve": "limits",
    "formed_limit": "limits",
    "lenth": "unreplicated",
    "likeliest_settings": "best",
    "limits_table": "limits",
    "load_fit": "files",
    "lower_chance": "hitmiss",
    "margins_from_readings": "margins",
    "power_inverse": "boxcox",
    "power_transform": "boxcox",
    "responses_from_readings": "responses",
    "save_fit": "files",
    "space_of": "space",
    "thicken_table": "best",
}

__all__ = sorted(_HOME)


def __getattr__(name: str) -> Any:
    if name in _HOME:
        return getattr(import_module(f"sharpset.fits.{_HOME[name]}"), name)
    raise AttributeError(f"module 'sharpset.fits' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted([*globals(), *_HOME])
