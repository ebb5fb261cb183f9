"""Make the invented network: times from physics and stated scatter, typed into sheets.

``python datasets/demo/generate.py`` renews the sheets and truth.toml beside this file.
Every site's settings stand in sites.toml; nothing here was ever measured.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from metafreeze.physics.baseline import cooling_times
from metafreeze.physics.setup import Setup
from metafreeze.physics.usual import usual_setup

HERE = Path(__file__).parent
COLUMNS = [
    "site",
    "part",
    "batch",
    "vessel_no",
    "position",
    "start_c",
    "mass_g",
    "mass_end_g",
    "on_frost",
    "ln_physics",
    "supercooling_k",
    "first_ice_s",
    "solid_s",
    "knocked",
    "sham",
]


def settings() -> dict[str, Any]:
    """Read sites.toml."""
    with (HERE / "sites.toml").open("rb") as stream:
        return tomllib.load(stream)


def site_setup(site: Mapping[str, Any], starts_c: np.ndarray, hot: np.ndarray) -> Setup:
    """Describe a site's vessels to the physics; a hot vessel on frost gets its own base."""
    setup = usual_setup(
        starts_c,
        sink_type=site["sink"],
        sink_temp_c=site["sink_c"],
        lid=site["lid"],
        base_support="wire" if site["base"] == "frost" else site["base"],
        side_insulation=site.get("sides", "none"),
        mass_g=site["mass_g"],
        diameter_mm=site["diameter_mm"],
        vessel_material=site["vessel"],
    )
    if "hot_base_w_m2k" in site:
        base = np.where(hot, site["hot_base_w_m2k"], setup.h_base_w_m2k)
        setup = setup.with_(h_base_w_m2k=base)
    return setup


def physics_log_time(site: Mapping[str, Any], starts_c: np.ndarray) -> np.ndarray:
    """Give ln of the time to fully solid that physics expects, frost under the hot included."""
    hot = starts_c > np.mean(site["starts_c"])
    return np.log(cooling_times(site_setup(site, starts_c, hot), endpoint="t_solid").time_s)


def true_slope(site: Mapping[str, Any]) -> float:
    """Give the slope per 10 K of a line through the site's own start temperatures."""
    starts = np.asarray(site["starts_c"], dtype=float)
    x = (starts - starts.mean()) / 10.0
    return float(x @ physics_log_time(site, starts) / (x @ x))


def invent_runs(network: Mapping[str, Any], rng: np.random.Generator) -> pd.DataFrame:
    """Draw every run of every site.

    Parameters
    ----------
    network : mapping
        The settings of sites.toml.
    rng : Generator
        Source of the scatter.

    Returns
    -------
    DataFrame
        One row a run, times in seconds, before anyone typed, rounded or looked.
    """
    frames = []
    for site in network["site"]:
        starts = np.tile(np.repeat(np.asarray(site["starts_c"], float), site["repeats"]), 1)
        level = rng.normal(0.0, network["site_sd"])
        slope = rng.normal(0.0, network["slope_sd_per_10k"])
        for batch in range(1, site["batches"] + 1):
            order = rng.permutation(starts.size)
            start = np.round(starts[order] + rng.uniform(-0.4, 0.4, starts.size), 1)
            hot = start > np.mean(site["starts_c"])
            setup = site_setup(site, start, hot)
            deep = np.clip(
                rng.normal(
                    network["supercooling_mean_k"], network["supercooling_sd_k"], start.size
                ),
                0.2,
                None,
            )
            solid = cooling_times(setup, endpoint="t_solid")
            ice = cooling_times(setup, endpoint="t_first_ice", supercooling_k=deep)
            zero = cooling_times(setup, endpoint="t_zero").time_s
            wobble = (
                level
                + rng.normal(0.0, network["batch_sd"])
                + slope * (start - np.mean(site["starts_c"])) / 10.0
                + rng.normal(0.0, network["run_sd"], start.size)
            )
            first_ice = ice.time_s * np.exp(wobble)
            knocked = np.zeros(start.size, dtype=bool)
            if site.get("knocked_batch") == batch:
                moment = float(np.quantile(zero * np.exp(wobble), 0.7)) + 60.0
                knocked = (zero * np.exp(wobble) < moment) & (first_ice > moment)
                first_ice = np.where(knocked, moment, first_ice)
            frames.append(
                pd.DataFrame(
                    {
                        "site": site["name"],
                        "part": site["part"],
                        "batch": batch,
                        "vessel_no": np.arange(1, start.size + 1),
                        "position": rng.permutation(start.size) + 1,
                        "start_c": start,
                        "mass_g": site["mass_g"],
                        "mass_end_g": site["mass_g"] - solid.mass_lost_g,
                        "on_frost": hot & ("hot_base_w_m2k" in site),
                        "ln_physics": np.log(solid.time_s),
                        "supercooling_k": deep,
                        "first_ice_s": first_ice,
                        "solid_s": solid.time_s * np.exp(wobble),
                        "knocked": knocked,
                        "sham": sham_labels(start),
                    }
                )
            )
    return pd.concat(frames, ignore_index=True)[COLUMNS]


def sham_labels(starts_c: np.ndarray) -> list[str]:
    """Label vessels of one batch that started alike A and B in turn; nothing else differs."""
    level = pd.Series(starts_c).round(-1)
    return ["AB"[place % 2] for place in level.groupby(level).cumcount()]


def minutes(seconds: float, places: int = 1) -> str:
    """Write a time in minutes as a person would."""
    return f"{seconds / 60.0:.{places}f}"


def comma(text: str) -> str:
    """Write a number with a decimal comma."""
    return text.replace(".", ",")


def fahrenheit(celsius: float) -> str:
    """Write a temperature in degrees Fahrenheit."""
    return f"{celsius * 9.0 / 5.0 + 32.0:.1f}"


def rows_of(runs: pd.DataFrame, site: str) -> list[Any]:
    """List a site's runs as named tuples."""
    return list(runs[runs["site"] == site].itertuples(index=False))


def write_csv(path: Path, header: list[str], rows: list[list[str]], **dialect: Any) -> None:
    """Write a sheet as a person's program would have saved it."""
    encoding = dialect.pop("encoding", "utf-8")
    with path.open("w", encoding=encoding, newline="") as stream:
        writer = csv.writer(stream, **dialect)
        writer.writerow(header)
        writer.writerows(rows)


def write_workbook(path: Path, title: str, rows: list[list[Any]]) -> None:
    """Write a workbook with a title line, a gap, then the table."""
    import openpyxl

    book = openpyxl.Workbook()
    sheet = book.active
    sheet.title = "trials"
    sheet.append([title])
    sheet.append([])
    for row in rows:
        sheet.append(row)
    book.save(path)


def window(seconds: float, every_min: int, closes_min: int) -> str:
    """Say what someone who looks now and then would write down."""
    seen = int(np.ceil(seconds / 60.0 / every_min)) * every_min
    return f">{closes_min}" if seen > closes_min else f"{seen - every_min}-{seen}"


def write_sheets(network: Mapping[str, Any], runs: pd.DataFrame, out: Path) -> list[Path]:
    """Type the runs into the sheets that the sites would have sent.

    Parameters
    ----------
    network : mapping
        The settings of sites.toml.
    runs : DataFrame
        What `invent_runs` gave.
    out : Path
        Folder of the sheets.

    Returns
    -------
    list of Path
        The files, in the order in which they arrive.
    """
    sites = {site["name"]: site for site in network["site"]}
    out.mkdir(parents=True, exist_ok=True)

    write_csv(
        out / "kelp_quay.csv",
        [
            "lab",
            "batch",
            "run",
            "start (°C)",
            "fully frozen (min)",
            "water (g)",
            "vessel",
            "lid",
            "stands on",
            "freezer (°C)",
            "assignment",
            "sham",
            "invented",
        ],
        [
            [
                "Kelp Quay",
                str(r.batch),
                f"K{r.batch}{r.vessel_no}",
                f"{r.start_c:.1f}",
                minutes(r.solid_s),
                f"{r.mass_g:.0f}",
                "plastic tub",
                "oil film",
                "wire",
                "-18",
                "randomised",
                r.sham,
                "yes",
            ]
            for r in rows_of(runs, "Kelp Quay")
        ],
    )
    write_csv(
        out / "larch_hut.csv",
        [
            "Lab",
            "Batch",
            "Run",
            "Start temp. (°C)",
            "Fully frozen (min)",
            "Water (g)",
            "Vessel",
            "Lid",
            "Stands on",
            "Freezer (°C)",
            "Invented",
            "Remark",
        ],
        [
            [
                "Larch Hut",
                str(r.batch),
                f"L{r.batch}{r.vessel_no}",
                comma(f"{r.start_c:.1f}"),
                comma(minutes(r.solid_s)),
                "150",
                "steel mug",
                "oil film",
                "wire",
                "-18,0",
                "yes",
                "generator off at noon" if r.batch == 2 and r.vessel_no == 1 else "",
            ]
            for r in rows_of(runs, "Larch Hut")
        ],
        delimiter=";",
        encoding="cp1252",
        lineterminator="\r\n",
    )
    write_workbook(
        out / "tide_lab.xlsx",
        "Tide Lab, winter series (invented)",
        [
            [
                "lab",
                "batch",
                "run",
                "start temperature (°C)",
                "time to fully frozen (min)",
                "water (g)",
                "vessel",
                "lid",
                "base",
                "sink temperature (°C)",
                "supercooling (K)",
                "invented",
            ],
            *[
                [
                    "Tide Lab",
                    f"B{r.batch}",
                    f"T{r.batch}{r.vessel_no}",
                    float(r.start_c),
                    round(r.solid_s / 60.0, 1),
                    100,
                    "borosilicate beaker",
                    "oil film",
                    "wire",
                    -18,
                    round(r.supercooling_k, 1),
                    "yes",
                ]
                for r in rows_of(runs, "Tide Lab")
            ],
        ],
    )
    write_csv(
        out / "fern_kitchen.csv",
        [
            "kitchen",
            "round",
            "run",
            "start (°F)",
            "solid after (h)",
            "water (oz)",
            "vessel",
            "lid",
            "stands on",
            "freezer (°F)",
            "invented",
        ],
        [
            [
                "Fern Kitchen",
                str(r.batch),
                f"F{r.batch}{r.vessel_no}",
                fahrenheit(r.start_c),
                f"{r.solid_s / 3600.0:.3f}",
                "4.233",
                "steel cup",
                "oil film",
                "wire",
                "-0.4",
                "yes",
            ]
            for r in rows_of(runs, "Fern Kitchen")
        ],
    )
    write_csv(
        out / "gull_store.txt",
        [
            *("site", "load", "run no.", "initial temperature [K]", "fully frozen [s]"),
            *("water [ml]", "vessel", "lid", "stands on", "freezer [K]"),
            *("supercooling [K]", "invented"),
        ],
        [
            [
                *("Gull Store", str(r.batch), f"G{r.batch}-{r.vessel_no:02d}"),
                *(f"{r.start_c + 273.15:.2f}", f"{r.solid_s:.0f}", "180", "plastic tub"),
                *("oil film", "wire", "255.15", f"{r.supercooling_k:.1f}", "yes"),
            ]
            for r in rows_of(runs, "Gull Store")
        ],
        delimiter="\t",
    )
    write_workbook(
        out / "north_yard.xlsx",
        "North Yard, pans in the open (invented)",
        [
            [
                "lab",
                "batch",
                "run",
                "start (°C)",
                "fully frozen (min)",
                "water before (g)",
                "water after (g)",
                "vessel",
                "lid",
                "stands on",
                "side insulation",
                "cooling mode",
                "outside temperature (°C)",
                "invented",
            ],
            *[
                [
                    "North Yard",
                    r.batch,
                    f"N{r.batch}{r.vessel_no}",
                    float(r.start_c),
                    round(r.solid_s / 60.0),
                    r.mass_g,
                    round(r.mass_end_g, 1),
                    "enamel pan",
                    "open",
                    "insulated",
                    "full",
                    "outdoor",
                    -9,
                    "yes",
                ]
                for r in rows_of(runs, "North Yard")
            ],
        ],
    )
    write_csv(
        out / "bell_rink.csv",
        [
            "lab",
            "batch",
            "run",
            "start (°C)",
            "fully frozen (mm:ss)",
            "water before (g)",
            "water after (g)",
            "vessel",
            "lid",
            "stands on",
            "side insulation",
            "cooling mode",
            "sink (°C)",
            "invented",
        ],
        [
            [
                "Bell Rink",
                str(r.batch),
                f"R{r.batch}{r.vessel_no}",
                f"{r.start_c:.1f}",
                f"{int(r.solid_s // 60)}:{int(r.solid_s % 60):02d}",
                f"{r.mass_g:.1f}",
                f"{r.mass_end_g:.1f}",
                "steel pan",
                "open",
                "insulated",
                "full",
                "fan",
                "-26",
                "yes",
            ]
            for r in rows_of(runs, "Bell Rink")
        ],
    )
    write_csv(
        out / "salt_barn.csv",
        [
            "lab",
            "batch",
            "run",
            "start (°C)",
            "fully frozen (min)",
            "water (g)",
            "vessel",
            "lid",
            "stands on",
            "frost melted",
            "freezer (°C)",
            "assignment",
            "invented",
        ],
        [
            [
                "Salt Barn",
                str(r.batch),
                f"S{r.batch}{r.vessel_no}",
                f"{r.start_c:.1f}",
                minutes(r.solid_s),
                "150",
                "plastic tub",
                "oil film",
                "frost" if r.on_frost else "wire",
                "yes" if r.on_frost else "no",
                "-18",
                "chosen",
                "yes",
            ]
            for r in rows_of(runs, "Salt Barn")
        ],
    )
    write_csv(
        out / "old_dairy.csv",
        [
            "lab",
            "batch",
            "run",
            "start (°C)",
            "first ice (min)",
            "fully frozen (min)",
            "water (g)",
            "vessel",
            "lid",
            "stands on",
            "freezer (°C)",
            "trigger",
            "invented",
        ],
        [
            [
                "Old Dairy",
                str(r.batch),
                f"D{r.batch}{r.vessel_no}",
                f"{r.start_c:.1f}",
                minutes(r.first_ice_s),
                minutes(r.solid_s),
                "100",
                "glass jar",
                "oil film",
                "wire",
                "-18",
                "knock" if r.knocked else "none",
                "yes",
            ]
            for r in rows_of(runs, "Old Dairy")
        ],
    )
    school = sites["Mill School"]
    write_csv(
        out / "mill_school.csv",
        [
            "lab",
            "batch",
            "run",
            "start (°C)",
            "fully frozen (min)",
            "looked every (min)",
            "water (g)",
            "vessel",
            "lid",
            "stands on",
            "freezer (°C)",
            "invented",
        ],
        [
            [
                "Mill School",
                str(r.batch),
                f"M{r.batch}{r.vessel_no}",
                f"{r.start_c:.1f}",
                window(r.solid_s, school["look_every_min"], school["closes_after_min"]),
                str(school["look_every_min"]),
                "80",
                "plastic cup",
                "oil film",
                "wire",
                "-18",
                "yes",
            ]
            for r in rows_of(runs, "Mill School")
        ],
    )
    ash = runs[runs["site"] == "Ash Table"].copy()
    ash["level"] = ash["start_c"].round(-1)
    write_csv(
        out / "ash_table.csv",
        [
            "source",
            "arm",
            "start (°C)",
            "endpoint",
            "mean (min)",
            "SD (min)",
            "n",
            "place in source",
            "invented",
        ],
        [
            [
                "Ash Table (invented)",
                {20: "cold", 50: "middle", 80: "hot"}[int(level)],
                f"{level:.0f}",
                "fully frozen",
                f"{group['solid_s'].mean() / 60.0:.1f}",
                f"{group['solid_s'].std(ddof=1) / 60.0:.1f}",
                str(len(group)),
                "table 2",
                "yes",
            ]
            for level, group in ash.groupby("level")
        ],
    )
    brook = rows_of(runs, "Brook Figure")
    # The figure's axes: 10 px a degree and 2 px a minute, origin at (60, 640), y downwards.
    figure = ["Brook Figure (invented)"]
    place = ["fully frozen", "open", "figure 1", "yes"]
    write_csv(
        out / "brook_figure.csv",
        [
            *("source", "mark", "axis", "axis quantity", "pixel_x", "pixel_y", "value", "unit"),
            *("endpoint", "lid", "place in source", "invented"),
        ],
        [
            *[
                [*figure, "axis", "x", "start temperature", *at, "°C", *place]
                for at in [(f"{60 + 10 * v}", "640", f"{v}") for v in (0, 50, 100)]
            ],
            *[
                [*figure, "axis", "y", "time", "60", f"{640 - 2 * v}", f"{v}", "min", *place]
                for v in (0, 150, 300)
            ],
            *[
                [*figure, "point", "", "", *at, "", "", *place]
                for at in [
                    (f"{60 + 10 * r.start_c:.0f}", f"{640 - 2 * r.solid_s / 60.0:.0f}")
                    for r in brook
                ]
            ],
        ],
    )
    return [out / f"{name}" for name in ARRIVAL]


ARRIVAL = [
    "kelp_quay.csv",
    "larch_hut.csv",
    "tide_lab.xlsx",
    "fern_kitchen.csv",
    "gull_store.txt",
    "north_yard.xlsx",
    "bell_rink.csv",
    "salt_barn.csv",
    "old_dairy.csv",
    "mill_school.csv",
    "ash_table.csv",
    "brook_figure.csv",
]


def truth(network: Mapping[str, Any]) -> dict[str, Any]:
    """Work out what is true of the network, whatever the scatter."""
    sites = {site["name"]: true_slope(site) for site in network["site"]}
    closed = [sites[s["name"]] for s in network["site"] if s["part"] == "closed"]
    return {
        "closed_part_slope_per_10k": float(np.mean(closed)),
        "slope_sd_per_10k": network["slope_sd_per_10k"],
        "site_slope_per_10k": sites,
    }


def write_truth(network: Mapping[str, Any], path: Path) -> None:
    """Write truth.toml."""
    known = truth(network)
    lines = [
        "# What is true of the invented network, computed by generate.py from sites.toml:",
        "# slopes of ln(time to fully solid) per 10 K of start temperature.",
        "",
        f"seed = {network['seed']}",
        f"closed_part_slope_per_10k = {known['closed_part_slope_per_10k']:.6f}",
        f"slope_sd_per_10k = {known['slope_sd_per_10k']}",
        "",
        "[site_slope_per_10k]",
        *[f'"{name}" = {slope:.6f}' for name, slope in known["site_slope_per_10k"].items()],
        "",
    ]
    path.write_text("\n".join(lines), encoding="utf-8")


def main() -> None:
    """Renew the sheets and the truth beside this file."""
    network = settings()
    runs = invent_runs(network, np.random.default_rng(network["seed"]))
    write_sheets(network, runs, HERE / "sheets")
    write_truth(network, HERE / "truth.toml")


if __name__ == "__main__":
    main()
