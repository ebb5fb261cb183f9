"""Pool freezing-time trials and test whether water that starts hotter freezes sooner.

Names are loaded when first used, so that the command line starts at once.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    __version__: str

    from metafreeze.analysis.against import Against, compare_bundles
    from metafreeze.analysis.bundle import Bundle
    from metafreeze.analysis.challenge import challenge
    from metafreeze.analysis.challenge_result import Challenge
    from metafreeze.analysis.curve_files import CurveFiles, read_curves
    from metafreeze.analysis.excess import ExcessSlope, excess_slope
    from metafreeze.analysis.expected import ExpectedTimes, expected_times
    from metafreeze.analysis.expected_pair import ExpectedEffect, expected_effect
    from metafreeze.analysis.false_alarms import FalseAlarms, false_alarms
    from metafreeze.analysis.hot_first import HotFirstNull, hot_first_null
    from metafreeze.analysis.lab_traits import LabTraits, lab_traits
    from metafreeze.analysis.mixed_fits import MixedRowsFit, fit_mixed
    from metafreeze.analysis.plans import TrialPlan, plan_trials
    from metafreeze.analysis.pool_effects import pool_effects
    from metafreeze.analysis.pooling import PoolAnswer, answer_pool
    from metafreeze.analysis.run_sheets import run_sheet
    from metafreeze.analysis.study_effects import StudyEffects, study_effects
    from metafreeze.analysis.traced_runs import add_traces
    from metafreeze.analysis.trial_precision import TrialPrecision, trial_precision
    from metafreeze.analysis.whole_curves import StartedTrace, compare_whole_curves
    from metafreeze.curves.events import find_events
    from metafreeze.curves.whole import CurveRun, compare_curves
    from metafreeze.errors import (
        Fault,
        InputError,
        Location,
        MetafreezeError,
        NotConvergedError,
        NotEstimableError,
        RegisterError,
        UsageError,
    )
    from metafreeze.logbook.serving import serve_logbook
    from metafreeze.models.bootstrap import BootstrapIntervals, bootstrap_mixed
    from metafreeze.models.contrasts import estimate_contrasts
    from metafreeze.models.counts import PooledCounts, pool_counts
    from metafreeze.models.few_studies import FewStudies, pool_few
    from metafreeze.models.heterogeneity import Disagreement, describe_disagreement
    from metafreeze.models.influence import Cumulative, Influence, cumulate, leave_one_out
    from metafreeze.models.joint_tests import JointTest, joint_test
    from metafreeze.models.many_fits import ManyFits, fit_outcomes
    from metafreeze.models.many_pools import ManyPools, pool_many
    from metafreeze.models.mixed import mixed_model
    from metafreeze.models.mixed_result import MixedFit
    from metafreeze.models.moderators import ModeratorTest, permute_moderators
    from metafreeze.models.pooled import PooledEffect, pool
    from metafreeze.models.prediction import Prediction, predict_outcomes, study_modes
    from metafreeze.models.profile import ProfilePool, profile_pool
    from metafreeze.models.refit import RefitPlan, Refits, plan_refits, refit_many
    from metafreeze.models.repeatability import (
        Repeatability,
        measure_effect_repeatability,
        measure_repeatability,
    )
    from metafreeze.models.replication import (
        Equivalence,
        Replication,
        assess_equivalence,
        compare_replication,
    )
    from metafreeze.models.robust_coefficients import robust_coefficients
    from metafreeze.models.small_studies import (
        SmallStudies,
        SmallStudyCheck,
        TrimAndFill,
        assume_selection,
        check_small_studies,
        rank_asymmetry,
        regress_asymmetry,
        regress_precision,
        trim_and_fill,
    )
    from metafreeze.models.three_level import NestedPool, pool_nested
    from metafreeze.models.unseen_result import UnseenTimesFit
    from metafreeze.models.unseen_times import unseen_times_model
    from metafreeze.models.variance_profile import (
        ProfileIntervals,
        hidden_spread,
        profile_intervals,
    )
    from metafreeze.physics.baseline import cooling_times
    from metafreeze.physics.chance import chance_hot_first
    from metafreeze.physics.setup import Setup
    from metafreeze.physics.usual import usual_setup
    from metafreeze.planning.runsheet import RunSheet
    from metafreeze.planning.traces import simulate_trace
    from metafreeze.register.answers import Answers, FileCheck
    from metafreeze.register.folder.store import Register, create_register, open_register
    from metafreeze.register.intake import check_file, check_files
    from metafreeze.register.templates import write_template
    from metafreeze.reporting.content import Report, Section
    from metafreeze.reporting.files import read_report, write_report
    from metafreeze.reporting.html import render_html
    from metafreeze.reporting.pdf import render_pdf
    from metafreeze.reporting.publish import Published, report
    from metafreeze.reporting.run_sheet import write_run_sheet
    from metafreeze.reporting.terminal import render_text

# Public name -> module that defines it. `tests/house` compares this with `__all__`.
_HOMES: dict[str, str] = {
    "Against": "metafreeze.analysis.against",
    "Answers": "metafreeze.register.answers",
    "BootstrapIntervals": "metafreeze.models.bootstrap",
    "Bundle": "metafreeze.analysis.bundle",
    "Challenge": "metafreeze.analysis.challenge_result",
    "Cumulative": "metafreeze.models.influence",
    "CurveFiles": "metafreeze.analysis.curve_files",
    "CurveRun": "metafreeze.curves.whole",
    "Disagreement": "metafreeze.models.heterogeneity",
    "Equivalence": "metafreeze.models.replication",
    "ExcessSlope": "metafreeze.analysis.excess",
    "ExpectedEffect": "metafreeze.analysis.expected_pair",
    "ExpectedTimes": "metafreeze.analysis.expected",
    "FalseAlarms": "metafreeze.analysis.false_alarms",
    "Fault": "metafreeze.errors",
    "FewStudies": "metafreeze.models.few_studies",
    "FileCheck": "metafreeze.register.answers",
    "HotFirstNull": "metafreeze.analysis.hot_first",
    "Influence": "metafreeze.models.influence",
    "InputError": "metafreeze.errors",
    "JointTest": "metafreeze.models.joint_tests",
    "LabTraits": "metafreeze.analysis.lab_traits",
    "Location": "metafreeze.errors",
    "ManyFits": "metafreeze.models.many_fits",
    "ManyPools": "metafreeze.models.many_pools",
    "MetafreezeError": "metafreeze.errors",
    "MixedFit": "metafreeze.models.mixed_result",
    "MixedRowsFit": "metafreeze.analysis.mixed_fits",
    "ModeratorTest": "metafreeze.models.moderators",
    "NestedPool": "metafreeze.models.three_level",
    "NotConvergedError": "metafreeze.errors",
    "NotEstimableError": "metafreeze.errors",
    "PoolAnswer": "metafreeze.analysis.pooling",
    "PooledCounts": "metafreeze.models.counts",
    "PooledEffect": "metafreeze.models.pooled",
    "Prediction": "metafreeze.models.prediction",
    "ProfileIntervals": "metafreeze.models.variance_profile",
    "ProfilePool": "metafreeze.models.profile",
    "Published": "metafreeze.reporting.publish",
    "RefitPlan": "metafreeze.models.refit",
    "Refits": "metafreeze.models.refit",
    "Register": "metafreeze.register.folder.store",
    "RegisterError": "metafreeze.errors",
    "Repeatability": "metafreeze.models.repeatability",
    "Replication": "metafreeze.models.replication",
    "Report": "metafreeze.reporting.content",
    "RunSheet": "metafreeze.planning.runsheet",
    "Section": "metafreeze.reporting.content",
    "Setup": "metafreeze.physics.setup",
    "SmallStudies": "metafreeze.models.small_studies",
    "SmallStudyCheck": "metafreeze.models.small_studies",
    "StartedTrace": "metafreeze.analysis.whole_curves",
    "StudyEffects": "metafreeze.analysis.study_effects",
    "TrialPlan": "metafreeze.analysis.plans",
    "TrialPrecision": "metafreeze.analysis.trial_precision",
    "TrimAndFill": "metafreeze.models.small_studies",
    "UnseenTimesFit": "metafreeze.models.unseen_result",
    "UsageError": "metafreeze.errors",
    "add_traces": "metafreeze.analysis.traced_runs",
    "answer_pool": "metafreeze.analysis.pooling",
    "assess_equivalence": "metafreeze.models.replication",
    "assume_selection": "metafreeze.models.small_studies",
    "bootstrap_mixed": "metafreeze.models.bootstrap",
    "challenge": "metafreeze.analysis.challenge",
    "chance_hot_first": "metafreeze.physics.chance",
    "check_file": "metafreeze.register.intake",
    "check_files": "metafreeze.register.intake",
    "check_small_studies": "metafreeze.models.small_studies",
    "compare_bundles": "metafreeze.analysis.against",
    "compare_curves": "metafreeze.curves.whole",
    "compare_replication": "metafreeze.models.replication",
    "compare_whole_curves": "metafreeze.analysis.whole_curves",
    "cooling_times": "metafreeze.physics.baseline",
    "create_register": "metafreeze.register.folder.store",
    "cumulate": "metafreeze.models.influence",
    "describe_disagreement": "metafreeze.models.heterogeneity",
    "estimate_contrasts": "metafreeze.models.contrasts",
    "excess_slope": "metafreeze.analysis.excess",
    "expected_effect": "metafreeze.analysis.expected_pair",
    "expected_times": "metafreeze.analysis.expected",
    "false_alarms": "metafreeze.analysis.false_alarms",
    "find_events": "metafreeze.curves.events",
    "fit_mixed": "metafreeze.analysis.mixed_fits",
    "fit_outcomes": "metafreeze.models.many_fits",
    "hidden_spread": "metafreeze.models.variance_profile",
    "hot_first_null": "metafreeze.analysis.hot_first",
    "joint_test": "metafreeze.models.joint_tests",
    "lab_traits": "metafreeze.analysis.lab_traits",
    "leave_one_out": "metafreeze.models.influence",
    "measure_effect_repeatability": "metafreeze.models.repeatability",
    "measure_repeatability": "metafreeze.models.repeatability",
    "mixed_model": "metafreeze.models.mixed",
    "open_register": "metafreeze.register.folder.store",
    "permute_moderators": "metafreeze.models.moderators",
    "plan_refits": "metafreeze.models.refit",
    "plan_trials": "metafreeze.analysis.plans",
    "pool": "metafreeze.models.pooled",
    "pool_counts": "metafreeze.models.counts",
    "pool_effects": "metafreeze.analysis.pool_effects",
    "pool_few": "metafreeze.models.few_studies",
    "pool_many": "metafreeze.models.many_pools",
    "pool_nested": "metafreeze.models.three_level",
    "predict_outcomes": "metafreeze.models.prediction",
    "profile_intervals": "metafreeze.models.variance_profile",
    "profile_pool": "metafreeze.models.profile",
    "rank_asymmetry": "metafreeze.models.small_studies",
    "read_curves": "metafreeze.analysis.curve_files",
    "read_report": "metafreeze.reporting.files",
    "refit_many": "metafreeze.models.refit",
    "regress_asymmetry": "metafreeze.models.small_studies",
    "regress_precision": "metafreeze.models.small_studies",
    "render_html": "metafreeze.reporting.html",
    "render_pdf": "metafreeze.reporting.pdf",
    "render_text": "metafreeze.reporting.terminal",
    "report": "metafreeze.reporting.publish",
    "robust_coefficients": "metafreeze.models.robust_coefficients",
    "run_sheet": "metafreeze.analysis.run_sheets",
    "serve_logbook": "metafreeze.logbook.serving",
    "simulate_trace": "metafreeze.planning.traces",
    "study_effects": "metafreeze.analysis.study_effects",
    "study_modes": "metafreeze.models.prediction",
    "trial_precision": "metafreeze.analysis.trial_precision",
    "trim_and_fill": "metafreeze.models.small_studies",
    "unseen_times_model": "metafreeze.models.unseen_times",
    "usual_setup": "metafreeze.physics.usual",
    "write_report": "metafreeze.reporting.files",
    "write_run_sheet": "metafreeze.reporting.run_sheet",
    "write_template": "metafreeze.register.templates",
}

__all__ = [
    "Against",
    "Answers",
    "BootstrapIntervals",
    "Bundle",
    "Challenge",
    "Cumulative",
    "CurveFiles",
    "CurveRun",
    "Disagreement",
    "Equivalence",
    "ExcessSlope",
    "ExpectedEffect",
    "ExpectedTimes",
    "FalseAlarms",
    "Fault",
    "FewStudies",
    "FileCheck",
    "HotFirstNull",
    "Influence",
    "InputError",
    "JointTest",
    "LabTraits",
    "Location",
    "ManyFits",
    "ManyPools",
    "MetafreezeError",
    "MixedFit",
    "MixedRowsFit",
    "ModeratorTest",
    "NestedPool",
    "NotConvergedError",
    "NotEstimableError",
    "PoolAnswer",
    "PooledCounts",
    "PooledEffect",
    "Prediction",
    "ProfileIntervals",
    "ProfilePool",
    "Published",
    "RefitPlan",
    "Refits",
    "Register",
    "RegisterError",
    "Repeatability",
    "Replication",
    "Report",
    "RunSheet",
    "Section",
    "Setup",
    "SmallStudies",
    "SmallStudyCheck",
    "StartedTrace",
    "StudyEffects",
    "TrialPlan",
    "TrialPrecision",
    "TrimAndFill",
    "UnseenTimesFit",
    "UsageError",
    "__version__",
    "add_traces",
    "answer_pool",
    "assess_equivalence",
    "assume_selection",
    "bootstrap_mixed",
    "challenge",
    "chance_hot_first",
    "check_file",
    "check_files",
    "check_small_studies",
    "compare_bundles",
    "compare_curves",
    "compare_replication",
    "compare_whole_curves",
    "cooling_times",
    "create_register",
    "cumulate",
    "describe_disagreement",
    "estimate_contrasts",
    "excess_slope",
    "expected_effect",
    "expected_times",
    "false_alarms",
    "find_events",
    "fit_mixed",
    "fit_outcomes",
    "hidden_spread",
    "hot_first_null",
    "joint_test",
    "lab_traits",
    "leave_one_out",
    "measure_effect_repeatability",
    "measure_repeatability",
    "mixed_model",
    "open_register",
    "permute_moderators",
    "plan_refits",
    "plan_trials",
    "pool",
    "pool_counts",
    "pool_effects",
    "pool_few",
    "pool_many",
    "pool_nested",
    "predict_outcomes",
    "profile_intervals",
    "profile_pool",
    "rank_asymmetry",
    "read_curves",
    "read_report",
    "refit_many",
    "regress_asymmetry",
    "regress_precision",
    "render_html",
    "render_pdf",
    "render_text",
    "report",
    "robust_coefficients",
    "run_sheet",
    "serve_logbook",
    "simulate_trace",
    "study_effects",
    "study_modes",
    "trial_precision",
    "trim_and_fill",
    "unseen_times_model",
    "usual_setup",
    "write_report",
    "write_run_sheet",
    "write_template",
]


def __getattr__(name: str) -> Any:
    if name == "__version__":
        return _version()
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'metafreeze' has no attribute {name!r}")


def _version() -> str:
    # Asked for only when wanted: this import takes longer than the whole help page.
    from importlib.metadata import PackageNotFoundError, version

    try:
        return version("metafreeze")
    except PackageNotFoundError:  # a bare source tree that was never installed
        return "0+source"


def __dir__() -> list[str]:
    return sorted(__all__)
