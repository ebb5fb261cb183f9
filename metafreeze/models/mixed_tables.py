"""Tables of a mixed fit in the caller's units: variances, inference, a new study."""

from __future__ import annotations

import numpy as np
import pandas as pd

from metafreeze.models.cluster_robust import robust_covariance
from metafreeze.models.mixed_result import (
    PART_COLUMNS,
    PREDICTION_COLUMNS,
    coefficient_frame,
    empty_coefficients,
    t_quantile,
)
from metafreeze.models.products import Products
from metafreeze.models.search_task import at_floor
from metafreeze.models.small_sample import (
    FitPoint,
    adjusted_covariance,
    expected_df,
    observed_df,
)
from metafreeze.models.variance_shape import VarianceShape
from metafreeze.results import FloatArray

# A covariance matrix whose smallest eigenvalue, as a correlation, is below this is singular.
SINGULAR = 1e-12


def random_parts(
    products: Products,
    shape: VarianceShape,
    variances: FloatArray,
    varying_names: tuple[str, ...],
) -> tuple[pd.DataFrame, FloatArray, list[str]]:
    """Write the variances in the caller's units, and list those on the boundary."""
    frame = products.frame
    unit = float(frame.y_unit[0])
    matrix, nested, residual = shape.split(variances)
    q = shape.varying
    back = np.linalg.inv(frame.turn_varying) if q else np.zeros((0, 0))
    own = unit**2 * back @ matrix[0, :q, :q] @ back.T
    rows: list[tuple[str, str, str, float, float]] = []
    zero: list[str] = []
    sds = np.sqrt(np.maximum(np.diag(own), 0.0))
    for k, name in enumerate(varying_names):
        rows.append(("study", name, "", float(sds[k]), np.nan))
    if shape.correlated:
        for j in range(q):
            for i in range(j + 1, q):
                both = sds[i] * sds[j]
                r = float(np.clip(own[i, j] / both, -1.0, 1.0)) if both > 0 else np.nan
                rows.append(("study", varying_names[j], varying_names[i], np.nan, r))
    star = matrix[0, :q, :q]
    if q:
        if not shape.correlated or q == 1:
            zero += [n for k, n in enumerate(varying_names) if star[k, k] == 0.0]
        elif _is_singular(star):
            zero.append("covariance of " + " and ".join(varying_names))
    if shape.crossed:
        sd = unit * float(np.sqrt(matrix[0, -1, -1]))
        rows.append((products.crossed_name, "intercept", "", sd, np.nan))
        if sd == 0.0:
            zero.append(products.crossed_name)
    for k in range(len(shape.levels) - 1, -1, -1):
        sd = unit * float(np.sqrt(nested[0, k]))
        rows.append((shape.levels[k], "intercept", "", sd, np.nan))
        if sd == 0.0:
            zero.append(shape.levels[k])
    if shape.residual == "common":
        sd = 0.0 if at_floor(products, residual)[0] else unit * float(np.sqrt(residual[0, 0]))
        rows.append(("residual", "", "", sd, np.nan))
    if shape.residuals and at_floor(products, residual).any():
        zero.append("residual")
    return part_frame(rows), own, zero


def _is_singular(matrix: FloatArray) -> bool:
    sds = np.sqrt(np.maximum(np.diag(matrix), 0.0))
    if (sds == 0.0).any():
        return True
    return bool(np.linalg.eigvalsh(matrix / np.outer(sds, sds))[0] < SINGULAR)


def part_frame(rows: list[tuple[str, str, str, float, float]]) -> pd.DataFrame:
    """Write rows of standard deviations and correlations as a table."""
    words = [np.array([row[i] for row in rows], dtype=object) for i in range(3)]
    numbers = [np.array([row[i] for row in rows], dtype=np.float64) for i in (3, 4)]
    return pd.DataFrame(dict(zip(PART_COLUMNS, [*words, *numbers], strict=True)))


def model_inference(
    point: FitPoint,
    products: Products,
    turn_back: FloatArray,
    unit: float,
    inference: str,
    boundary: bool,
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Covariance, standard errors and degrees of freedom in the caller's units."""
    p = products.fixed
    if inference == "kenward-roger":
        star = adjusted_covariance(point, p)[0]
        df = expected_df(point, turn_back, p)[0]
    else:
        star = point.criterion.unscaled[0]
        df = np.full(p, np.inf)
        if inference == "satterthwaite":
            df = observed_df(point, turn_back, p, boundary=boundary)[0]
    covariance = unit**2 * turn_back @ star @ turn_back.T
    covariance = 0.5 * (covariance + covariance.T)
    return covariance, np.sqrt(np.maximum(np.diag(covariance), 0.0)), df


def robust_table(
    point: FitPoint,
    products: Products,
    names: tuple[str, ...],
    estimate: FloatArray,
    turn_back: FloatArray,
    unit: float,
    level: float,
) -> tuple[pd.DataFrame, FloatArray]:
    """Write the coefficients with inference robust by study, and their covariance."""
    p = products.fixed
    if products.studies < 2:
        return empty_coefficients(names), np.full((p, p), np.nan)
    found = robust_covariance(
        point.totals.by_study[0], point.criterion.beta[0], turn_back, kind="bias-reduced"
    )
    table = coefficient_frame(names, estimate, unit * found.se, found.df, level)
    return table, unit**2 * turn_back @ found.covariance @ turn_back.T


def predict_new_study(
    products: Products,
    table: pd.DataFrame,
    matrix: FloatArray,
    level: float,
) -> pd.DataFrame:
    """Give the interval for the coefficient of a new study: t on studies minus two."""
    labels: list[str] = []
    rows: list[tuple[float, ...]] = []
    values = table[["estimate", "se"]].to_numpy()
    df = float(products.studies - 2) if products.studies > 2 else np.nan
    for j, k in enumerate(products.twins):
        if k is None:
            continue
        estimate, se = float(values[j, 0]), float(values[j, 1])
        between = float(np.sqrt(max(matrix[k, k], 0.0)))
        half = float(t_quantile(0.5 + level / 2.0, np.array(df))) * np.hypot(se, between)
        labels.append(str(table.index[j]))
        rows.append((estimate, between, df, estimate - half, estimate + half))
    return prediction_frame(labels, rows)


def prediction_frame(labels: list[str], rows: list[tuple[float, ...]]) -> pd.DataFrame:
    """Write intervals for a new study as a table."""
    table = np.array(rows, dtype=np.float64).reshape(len(rows), len(PREDICTION_COLUMNS))
    frame = pd.DataFrame(table, columns=list(PREDICTION_COLUMNS), index=labels)
    return frame.rename_axis("term")
