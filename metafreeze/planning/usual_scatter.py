"""How much freezing times usually scatter, where nobody has measured it yet."""

from __future__ import annotations

from metafreeze.options import Endpoint
from metafreeze.planning.simulate import Scatter

# Common practice, no source: settings for simulation, not findings. Chance decides when ice
# begins, so first ice scatters most; levels of labs differ by their gear.
USUAL = Scatter(run_sd=0.05, batch_sd=0.05, lab_sd=0.3, slope_sd_per_10k=0.01)
USUAL_BY_ENDPOINT: dict[str, Scatter] = {
    "t_first_ice": Scatter(run_sd=0.12, batch_sd=0.05, lab_sd=0.3, slope_sd_per_10k=0.02),
    "t_zero": Scatter(run_sd=0.05, batch_sd=0.05, lab_sd=0.3, slope_sd_per_10k=0.02),
    "t_threshold": Scatter(run_sd=0.05, batch_sd=0.05, lab_sd=0.3, slope_sd_per_10k=0.02),
}


def usual_scatter(endpoint: Endpoint | str) -> Scatter:
    """Give the usual scatter of an endpoint.

    Parameters
    ----------
    endpoint : str

    Returns
    -------
    Scatter
        Common practice, no source.
    """
    return USUAL_BY_ENDPOINT.get(endpoint, USUAL)
