"""Fits: from tables of readings and results to models, limits, settings and the next runs.

Tables in, tables out: nothing here knows a picture. Heavy modules are imported when one of their
names is first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sharpset.rooms import opened_when_asked

if TYPE_CHECKING:
    from sharpset.fits.anova import anova_table
    from sharpset.fits.best import (
        BestSettings,
        best_settings,
        chance_map,
        cheapest_settings,
        describe_settings,
        likeliest_settings,
        thicken_table,
    )
    from sharpset.fits.boxcox import BoxCox, box_cox, power_inverse, power_transform
    from sharpset.fits.confirm import Confirmation, Prediction, judge_confirmation, load_prediction, write_prediction
    from sharpset.fits.files import load_fit, save_fit
    from sharpset.fits.fit import Fit, fit_plan, fit_responses
    from sharpset.fits.formed import FormedFit, fit_formed
    from sharpset.fits.goals import DesirableSettings, Goal, desirability, desirable_settings
    from sharpset.fits.hitmiss import HitMiss, firth_logistic, fit_hit_miss, lower_chance
    from sharpset.fits.limits import Limit, formed_curve, formed_limit, limits_table
    from sharpset.fits.margins import Margins, brief_margins, margins_from_readings
    from sharpset.fits.mixed import MixedFit, fit_mixed
    from sharpset.fits.region import Region
    from sharpset.fits.regression import fit_response
    from sharpset.fits.requirements import Forecast
    from sharpset.fits.responses import formed_counts, responses_from_readings
    from sharpset.fits.search import BriefSearch
    from sharpset.fits.sequential import NextRuns, next_runs, steepest_ascent
    from sharpset.fits.shares import ShareFit, fit_share
    from sharpset.fits.space import Space, space_of
    from sharpset.fits.surface import ResponseFit
    from sharpset.fits.unreplicated import Lenth, lenth

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

__all__ = [
    "BestSettings",
    "BoxCox",
    "BriefSearch",
    "Confirmation",
    "DesirableSettings",
    "Fit",
    "Forecast",
    "FormedFit",
    "Goal",
    "HitMiss",
    "Lenth",
    "Limit",
    "Margins",
    "MixedFit",
    "NextRuns",
    "Prediction",
    "Region",
    "ResponseFit",
    "ShareFit",
    "Space",
    "anova_table",
    "best_settings",
    "box_cox",
    "brief_margins",
    "chance_map",
    "cheapest_settings",
    "describe_settings",
    "desirability",
    "desirable_settings",
    "firth_logistic",
    "fit_formed",
    "fit_hit_miss",
    "fit_mixed",
    "fit_plan",
    "fit_response",
    "fit_responses",
    "fit_share",
    "formed_counts",
    "formed_curve",
    "formed_limit",
    "judge_confirmation",
    "lenth",
    "likeliest_settings",
    "limits_table",
    "load_fit",
    "load_prediction",
    "lower_chance",
    "margins_from_readings",
    "next_runs",
    "power_inverse",
    "power_transform",
    "responses_from_readings",
    "save_fit",
    "space_of",
    "steepest_ascent",
    "thicken_table",
    "write_prediction",
]

__getattr__, __dir__ = opened_when_asked(__name__, _HOME)
