"""Ask about published SDs that are out of line by the square root of n."""

from __future__ import annotations

import numpy as np

from metafreeze.analysis.effect_rows import EffectRows
from metafreeze.effects.spreads import log_arm

# Groups to compare with, and how far off a spread must be before it is asked about.
FEWEST_OTHERS = 3
FAR_OFF = 2.0


def odd_spreads(rows: EffectRows) -> list[str]:
    """Give one sentence for each printed SD that looks like a standard error.

    A standard error taken for an SD is too small by √n. A printed SD is asked about where it is
    under half of the typical one and lies closer to it once multiplied by √n.

    Parameters
    ----------
    rows : EffectRows
        The chosen rows.

    Returns
    -------
    list of str
    """
    found = []
    for i in rows.positions("arm_summary"):
        arm = log_arm(rows.printed_arm(i, sd=float(rows.number["sd_s"][i]), se=float("nan")))
        if np.isfinite(arm.sd) and arm.sd > 0 and arm.n >= 2:
            found.append((int(i), arm.sd, arm.n))
    sentences = []
    for i, sd, n in found:
        others = [s for j, s, _ in found if rows.study[j] != rows.study[i]]
        if len(others) < FEWEST_OTHERS:
            continue
        typical = float(np.median(others))
        as_error = abs(np.log(sd * np.sqrt(n) / typical))
        if FAR_OFF * sd < typical and as_error < abs(np.log(sd / typical)) / 2:
            sentences.append(
                f"the SD of {rows.study[i]} at {rows.number['start_temp_c'][i]:g} °C is "
                f"{typical / sd:.1f} times smaller than is typical here, and √n is "
                f"{np.sqrt(n):.1f}: is it a standard error?"
            )
    return sentences
