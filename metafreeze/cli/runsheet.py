"""``metafreeze runsheet``: random places and order to print and fill in."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from metafreeze.cli.options import ENDPOINTS, json_option
from metafreeze.cli.output import say, wrap

if TYPE_CHECKING:
    from metafreeze.options import Paper

SINKS = click.Choice(["freezer", "fan", "bath", "plate", "outdoor"])
LIDS = click.Choice(["open", "loose", "sealed", "oil_film"])
BASES = click.Choice(["metal", "plastic", "wire", "insulated", "plate", "frost"])


@click.command("runsheet")
@click.argument("register", required=False)
@click.option("--vessels", type=click.IntRange(min=2), default=6, show_default=True,
              help="Vessels that cool together.")  # fmt: skip
@click.option("--batches", type=click.IntRange(min=1), default=5, show_default=True,
              help="How often.")  # fmt: skip
@click.option("--start", "starts", multiple=True, type=float, metavar="CELSIUS",
              help="A start temperature, once for each; 80 and 20 or the plan's.")  # fmt: skip
@click.option("--endpoint", type=ENDPOINTS, help="The event to be timed; the register's own.")
@click.option("--lab", default="", metavar="NAME", help="Your lab; the register's own.")
@click.option("--place", "places", multiple=True, metavar="NAME",
              help="Name of a place; say it once for each. P1, P2 and so on.")  # fmt: skip
@click.option("--vessel", default="", metavar="WORDS", help="Vessel and its material.")
@click.option("--sink", "sink_type", type=SINKS, default=None, help="What takes the heat.")
@click.option("--sink-temp", type=float, metavar="CELSIUS", help="Its temperature.")
@click.option("--lid", type=LIDS, default=None, help="What covers the water.")
@click.option("--base", "base_support", type=BASES, default=None, help="What vessels stand on.")
@click.option("--probe", nargs=2, type=float, metavar="HEIGHT RADIUS",
              help="Place of the probe, as shares of depth and radius.")  # fmt: skip
@click.option("--sham", is_flag=True,
              help="In each batch a pair that differs by its label only.")  # fmt: skip
@click.option("--seed", type=int, help="Draw the same sheet again; a new lot by default.")
@click.option("--paper", type=click.Choice(["a4", "letter"]), default="a4", show_default=True,
              help="Paper to print on.")  # fmt: skip
@click.option("--out", default="runsheet", show_default=True, metavar="NAME",
              help="Name of the two files, without ending.")  # fmt: skip
@json_option
def command(
    register: str | None,
    vessels: int,
    batches: int,
    starts: tuple[float, ...],
    endpoint: str | None,
    lab: str,
    places: tuple[str, ...],
    vessel: str,
    sink_type: str | None,
    sink_temp: float | None,
    lid: str | None,
    base_support: str | None,
    probe: tuple[float, float] | None,
    sham: bool,
    seed: int | None,
    paper: Paper,
    out: str,
    as_json: bool,
) -> None:
    """Draw places and order by lot, evenly, for the batches to come; to print and to fill in.

    \b
    Example:
      metafreeze runsheet winter --vessels 6 --batches 5 --start 80 --start 20 --sham
    """
    from metafreeze.analysis.run_sheets import run_sheet
    from metafreeze.cli.registers import choose_register
    from metafreeze.register.folder.store import open_register
    from metafreeze.reporting.run_sheet import write_run_sheet

    sheet = run_sheet(
        None if register is None else open_register(choose_register(register)),
        vessels=vessels,
        batches=batches,
        starts_c=starts,
        endpoint=endpoint or "",
        lab=lab,
        positions=places,
        vessel=vessel,
        sink_type=sink_type or "",
        sink_temp_c=sink_temp,
        lid=lid or "",
        base_support=base_support or "",
        probe=probe,
        sham=sham,
        seed=seed,
    )
    files = write_run_sheet(sheet, out, paper=paper)
    lines = [
        f"Drew {sheet.headline()}.",
        f"To print: {files[1]}. To fill in: {files[0]}.",
        wrap(
            f"When it is filled in: metafreeze add {register or 'REGISTER'} {files[0]}. Lines "
            "still empty are left out; added again with more filled in, it takes --replace."
        ),
        "",
        "Before you start:",
        *(wrap(f"- {caution.short}", indent="  ") for caution in sheet.cautions),
        wrap(f"- {sheet.deference}", indent="  "),
    ]
    say(
        "\n".join(lines),
        {
            "files": [str(file) for file in files],
            "seed": sheet.seed,
            "endpoint": sheet.endpoint,
            "checks": list(sheet.checks),
            "cautions": [c.short for c in sheet.cautions] + [sheet.deference],
            "rows": sheet.table.to_dict(orient="records"),
        },
        as_json=as_json,
    )
