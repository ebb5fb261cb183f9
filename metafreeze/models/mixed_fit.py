"""From checked rows to a fit: identify, search, judge, describe."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
import pandas as pd

from metafreeze.errors import InputError
from metafreeze.models.crossproducts import collect_products
from metafreeze.models.identify import (
    AGREE,
    Finding,
    RandomPlan,
    exact_fit,
    find_obstacle,
    next_step,
    studies_with_slopes,
    too_few_studies,
)
from metafreeze.models.mixed_input import CheckedInput, crossing_too_wide
from metafreeze.models.mixed_result import (
    FittedState,
    MixedFit,
    coefficient_frame,
    empty_coefficients,
)
from metafreeze.models.mixed_tables import (
    model_inference,
    part_frame,
    predict_new_study,
    prediction_frame,
    random_parts,
    robust_table,
)
from metafreeze.models.optimise import Optimum, minimise
from metafreeze.models.products import Products
from metafreeze.models.search_task import at_floor, plain_task
from metafreeze.models.small_sample import fit_point
from metafreeze.models.variance_shape import VarianceShape, shape_of
from metafreeze.options import Inference, Likelihood, Residual, Status
from metafreeze.results import FloatArray

NOT_ASKED = "not asked for"
# With residual variances of their own, each study needs this many degrees of freedom for
# the small-sample methods to hold; below it the robust form stands in.
LEAST_OWN_DF = 5
# Rows up to which a fit keeps them, for bootstraps.
KEPT_ROWS = 50_000
# Fall of the criterion by the logarithm of the residual variance that is no rounding.
FALLS = 0.2
# Residual variances of their own beyond this fill the memory with second derivatives.
MOST_OWN_RESIDUALS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """What a fit is asked for, apart from data."""

    residual: Residual = "common"
    likelihood: Likelihood = "restricted"
    inference: Inference = "kenward-roger"
    correlated: bool = True
    simplify: bool = False
    level: float = 0.95


def fit_checked(checked: CheckedInput, request: Request) -> MixedFit:
    """Fit checked rows: identify, search, infer.

    Parameters
    ----------
    checked : CheckedInput
    request : Request

    Returns
    -------
    MixedFit
    """
    if request.residual == "per-study" and checked.study.count > MOST_OWN_RESIDUALS:
        raise InputError(
            f'residual is "per-study" with {checked.study.count} studies; at most '
            f'{MOST_OWN_RESIDUALS} residual variances can be searched together. Choose "common".'
        )
    wide = crossing_too_wide(checked)
    if wide:
        return _nothing(checked, request, "unidentifiable", wide, ())
    products, shape, plan, steps, finding = settle_plan(checked, request)
    if finding is not None:
        return _nothing(checked, request, "unidentifiable", _sentence(finding.reason), steps)
    exact = exact_fit(products, shape)
    if exact:
        return _nothing(checked, request, "unidentifiable", _sentence(exact), steps)
    restricted = request.likelihood == "restricted"
    best = minimise(plain_task(products, shape, restricted=restricted))
    if not np.isfinite(best.criterion.value[0]):
        return _nothing(
            checked, request, "failed", "The criterion is not finite anywhere it was tried.", steps
        )
    variances = absolute_variances(products, shape, best)
    if _runs_away(products, shape, best, variances):
        return _nothing(checked, request, "unidentifiable", _sentence(AGREE), steps)
    return _describe(checked, request, products, shape, plan, best, variances, steps)


def _runs_away(
    products: Products, shape: VarianceShape, best: Optimum, variances: FloatArray
) -> bool:
    """Whether the criterion still falls with the residual variance at its floor.

    Where zero is a true optimum, the criterion is flat in the logarithm of a variance that
    small; it falls by one for each run that the rest of the model fits exactly.
    """
    if not shape.residuals:
        return False
    residual = variances[:, shape.size - shape.residuals :]
    if not at_floor(products, residual)[0]:
        return False
    slope = best.criterion.gradient[0, shape.size - shape.residuals :] * residual[0]
    return bool((np.abs(slope) > FALLS).any())


def settle_plan(
    checked: CheckedInput, request: Request
) -> tuple[Products, VarianceShape, RandomPlan, tuple[str, ...], Finding | None]:
    """Walk down the ladder until the design carries the random parts, if that is allowed."""
    q = checked.varying.shape[1]
    plan = RandomPlan(
        varying=tuple(range(q)),
        correlated=request.correlated and q > 1,
        batch=checked.batch is not None,
        specimen=checked.specimen is not None,
    )
    steps: list[str] = []
    while True:
        products = collect_products(checked.rows(plan))
        shape = shape_of(products, request.residual)
        finding: Finding | None = None
        if request.simplify and products.studies > 1 and plan.varying:
            own = checked.varies[list(plan.varying)]
            told = studies_with_slopes(products, shape, own) if own.any() else products.studies
            finding = too_few_studies(plan, studies=told, varies=checked.varies)
        if finding is None:
            finding = find_obstacle(
                products,
                shape,
                fixed_names=checked.names,
                varying_names=tuple(checked.varying_names[k] for k in plan.varying),
                varies=checked.varies[list(plan.varying)],
            )
        if finding is None or not request.simplify:
            return products, shape, plan, tuple(steps), finding
        step = next_step(plan, finding, checked.varies)
        if step is None:
            return products, shape, plan, tuple(steps), finding
        plan, words = step
        steps.append(f"{words}: {finding.reason}")


def absolute_variances(products: Products, shape: VarianceShape, best: Optimum) -> FloatArray:
    """Variances in the engine's units with the profiled residual variance put back."""
    if not (products.one_scale and shape.residual == "common"):
        return best.variances
    scale = best.criterion.scale[:, None]
    return np.concatenate([best.variances * scale, scale], axis=1)


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:] + ("" if text.endswith(".") else ".")


def _nothing(
    checked: CheckedInput, request: Request, status: Status, note: str, steps: tuple[str, ...]
) -> MixedFit:
    """Give a fit that could not be had, with its reason."""
    p, q = checked.fixed.shape[1], checked.varying.shape[1]
    return MixedFit(
        coefficients=empty_coefficients(checked.names),
        robust=empty_coefficients(checked.names),
        covariance=pd.DataFrame(
            np.full((p, p), np.nan), index=list(checked.names), columns=list(checked.names)
        ),
        random_parts=part_frame([]),
        random_covariance=np.full((q, q), np.nan),
        new_study=prediction_frame([], []),
        residual_sd=float("nan"),
        residual_sds=np.full(checked.study.count, np.nan),
        criterion=float("nan"),
        degrees_lost=0,
        status=status,
        note=note,
        steps_taken=steps,
        second_engine=NOT_ASKED,
        second_engine_difference=float("nan"),
        optimiser_steps=0,
        state=None,
        **_counts(checked, request),
    )


def _counts(checked: CheckedInput, request: Request) -> dict[str, Any]:
    n = checked.outcome.shape[0]

    def real_groups(part: tuple[npt.NDArray[np.int64], int, npt.NDArray[np.bool_]] | None) -> int:
        return 0 if part is None else int(np.unique(part[0][part[2]]).size)

    return {
        "likelihood": request.likelihood,
        "residual": request.residual,
        "inference": request.inference,
        "level": request.level,
        "rows": n,
        "runs": float(n if checked.count is None else checked.count.sum()),
        "studies": checked.study.count,
        "batches": real_groups(checked.batch),
        "specimens": real_groups(checked.specimen),
        "study_names": tuple(str(name) for name in checked.study.names),
    }


def _describe(
    checked: CheckedInput,
    request: Request,
    products: Products,
    shape: VarianceShape,
    plan: RandomPlan,
    best: Optimum,
    variances: FloatArray,
    steps: tuple[str, ...],
) -> MixedFit:
    restricted = request.likelihood == "restricted"
    point = fit_point(products, shape, variances, restricted=restricted)
    frame = products.frame
    unit = float(frame.y_unit[0])
    turn_back: FloatArray = np.asarray(np.linalg.inv(frame.turn))
    beta_star = point.criterion.beta[0]
    estimate = unit * (turn_back @ beta_star) + frame.origin[0]
    z_names = tuple(checked.varying_names[k] for k in plan.varying)
    parts, matrix, zero = random_parts(products, shape, variances, z_names)
    status, note = _judge(best, zero)
    if products.studies == 1:
        note = _join(note, "One study: nothing is said about other studies.")
    inference = request.inference
    if inference in ("kenward-roger", "satterthwaite") and shape.residual == "per-study":
        own = _own_df(products, shape, checked)
        if (own < LEAST_OWN_DF).any():
            inference = "cluster-robust"
            note = _join(
                note,
                f"{int((own < LEAST_OWN_DF).sum())} studies have fewer than {LEAST_OWN_DF} degrees "
                "of freedom for a residual variance of their own: intervals are robust by study.",
            )
    robust = robust_table(point, products, checked.names, estimate, turn_back, unit, request.level)
    covariance, se, df = model_inference(point, products, turn_back, unit, inference, bool(zero))
    table = coefficient_frame(checked.names, estimate, se, df, request.level)
    if inference == "cluster-robust":
        table = robust[0]
        covariance = robust[1]
        if table["se"].isna().any():
            note = _join(note, "Robust intervals need at least two studies.")
    residual = variances[0, shape.size - shape.residuals :]
    sds = unit * np.sqrt(residual)
    state = FittedState(
        products=products,
        shape=shape,
        variances=variances,
        restricted=restricted,
        names=checked.names,
        varying_names=z_names,
        rows=checked if checked.outcome.shape[0] <= KEPT_ROWS else None,
    )
    counts = _counts(checked, request)
    counts["inference"] = inference
    return MixedFit(
        coefficients=table,
        robust=robust[0],
        covariance=pd.DataFrame(covariance, index=list(checked.names), columns=list(checked.names)),
        random_parts=parts,
        random_covariance=matrix,
        new_study=predict_new_study(products, table, matrix, request.level),
        residual_sd=_residual_sd(products, shape, residual, sds),
        residual_sds=(
            np.broadcast_to(sds, products.studies)
            if shape.residuals
            else np.full(products.studies, np.nan)
        ),
        criterion=float(best.criterion.value[0]),
        degrees_lost=products.fixed + shape.size,
        status=status,
        note=note,
        steps_taken=steps,
        second_engine=NOT_ASKED,
        second_engine_difference=float("nan"),
        optimiser_steps=best.steps,
        state=state,
        **counts,
    )


def _residual_sd(
    products: Products, shape: VarianceShape, residual: FloatArray, sds: FloatArray
) -> float:
    if shape.residual != "common":
        return float("nan")
    return 0.0 if at_floor(products, residual[None])[0] else float(sds[0])


def _join(note: str, more: str) -> str:
    return f"{note} {more}".strip()


def _own_df(products: Products, shape: VarianceShape, checked: CheckedInput) -> FloatArray:
    own = products.runs - shape.varying
    for name, part in (("batch", checked.batch), ("specimen", checked.specimen)):
        if part is None or name not in shape.levels:
            continue
        codes, _, real = part
        pairs = np.unique(np.stack([checked.study.codes[real], codes[real]]), axis=1)
        own = own - np.bincount(pairs[0], minlength=products.studies)
    return own


def _judge(best: Optimum, zero: list[str]) -> tuple[Status, str]:
    if not best.settled[0]:
        return "failed", (
            "The search ended without its certificate: expected further fall "
            f"{best.decrement[0] / 2:.2g}, smallest relative curvature {best.curvature[0]:.2g}."
        )
    if zero:
        listed = ", ".join(zero)
        return "boundary", (
            f"At the boundary: {listed}. The best estimate of this spread is zero, or it is tied "
            "to another one. That is an answer and not a fault; it does not show that there is "
            "no spread."
        )
    return "ok", ""
