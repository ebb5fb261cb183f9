"""One invented curve written down in the ways of many loggers; every way is read alike.

The curve has its first ice at 1668 s and the end of its plateau at 3168 s by construction.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import openpyxl
import pytest

import metafreeze as mf
from metafreeze.analysis.curve_files import CurveFiles, TraceEvents

ICE_S, END_S, STEP_S = 1668.0, 3168.0, 60.0
ROWS = 68
START = dt.datetime(2025, 2, 11, 9, 0)


def curve(seconds: np.ndarray, start_c: float = 20.0) -> np.ndarray:
    """Cool exponentially to -5 °C, rest at 0 °C from ice to the plateau's end, cool again."""
    rate = np.log((start_c + 20) / 15) / ICE_S
    liquid = -20 + (start_c + 20) * np.exp(-rate * seconds)
    solid = -20 + 20 * np.exp(-(seconds - END_S) / 2200)
    temps = np.where(seconds < ICE_S, liquid, np.where(seconds < END_S, 0.0, solid))
    chance = np.random.default_rng(11)
    return np.round(temps + chance.normal(0, 0.04, seconds.size), 2)


DAY_20 = dt.datetime(2025, 2, 20, 9, 0)
SECONDS = np.arange(ROWS) * STEP_S
TEMPS = curve(SECONDS)
WARM = curve(SECONDS, 60.0)
SPACED = [f"{x}".replace("-", "- ") for x in TEMPS]


def stamps(pattern: str, start: dt.datetime = START, seconds: np.ndarray = SECONDS) -> list[str]:
    return [(start + dt.timedelta(seconds=float(s))).strftime(pattern) for s in seconds]


def table(heading: str, times: list[Any], temps: Any = TEMPS, mark: str = ",") -> str:
    rows = [f"{t}{mark}{x}" for t, x in zip(times, temps, strict=True)]
    return "\n".join([heading, *rows]) + "\n"


def text(content: str, encoding: str = "utf-8") -> Callable[[Path], Path]:
    def write(folder: Path) -> Path:
        path = folder / "log.csv"
        path.write_bytes(content.encode(encoding))
        return path

    return write


def workbook(rows: list[list[Any]]) -> Callable[[Path], Path]:
    def write(folder: Path) -> Path:
        book = openpyxl.Workbook()
        sheet = book.active
        assert sheet is not None
        for row in rows:
            sheet.append(row)
        path = folder / "log.xlsx"
        book.save(path)
        return path

    return write


def comma(values: Any) -> list[str]:
    return [f"{v}".replace(".", ",") for v in values]


def local_dst(back: bool) -> list[str]:
    """Local stamps over a night on which the clock changes after 30 minutes."""
    day = dt.datetime(2025, 10, 26, 2, 30) if back else dt.datetime(2025, 3, 30, 1, 30)
    out = []
    for s in SECONDS:
        at = day + dt.timedelta(seconds=float(s))
        if s >= 1800:
            at += dt.timedelta(hours=-1 if back else 1)
        out.append(at.strftime("%Y-%m-%d %H:%M:%S"))
    return out


def twelve_without_halves() -> list[str]:
    return [s.lstrip("0") for s in stamps("%I:%M:%S", START.replace(hour=12, minute=30))]


SERIALS = [45699.375 + float(s) / 86400 for s in SECONDS]
FAHRENHEIT = np.round(TEMPS * 1.8 + 32, 2)
KELVIN = np.round(TEMPS + 273.15, 2)
PREAMBLE = "Box: nine\nSample rate: 1/min\nLocation: cellar\n\n"

VARIANTS: dict[str, Callable[[Path], Path]] = {
    "seconds": text(table("time (s),water (°C)", [int(s) for s in SECONDS])),
    "seconds in brackets": text(table("Time [s],T [°C]", [int(s) for s in SECONDS])),
    "short names": text(table("t,T", [int(s) for s in SECONDS])),
    "minutes": text(table("time (min),water (°C)", [f"{s / 60:g}" for s in SECONDS])),
    "hours": text(table("time_h,temp_c", [f"{s / 3600:.5f}" for s in SECONDS])),
    "milliseconds": text(table("millis (ms),temp (°C)", [int(s * 1000) for s in SECONDS])),
    "days": text(table("elapsed (d),temp (°C)", [f"{s / 86400:.8f}" for s in SECONDS])),
    "iso": text(table("time,temp", stamps("%Y-%m-%dT%H:%M:%S"))),
    "iso with Z": text(table("time,temp", stamps("%Y-%m-%dT%H:%M:%SZ"))),
    "iso with parts": text(table("time,temp", stamps("%Y-%m-%d %H:%M:%S.%f"))),
    "minutes only in stamps": text(table("time,temp", stamps("%Y-%m-%d %H:%M"))),
    "day first": text(table("time,temp", stamps("%d/%m/%Y %H:%M:%S", dt.datetime(2025, 2, 20)))),
    "month first": text(
        table("time,temp", stamps("%m/%d/%y %I:%M:%S %p", dt.datetime(2025, 2, 20)))
    ),
    "dots and commas": text(
        table("Zeit;Temperatur", stamps("%d.%m.%Y %H:%M:%S"), comma(TEMPS), ";")
    ),
    "month names": text(table("Date-Time,Temp", stamps("%d-%b-%Y %H:%M:%S"))),
    "date and time apart": text(
        table("Date,Time,T", stamps("%d/%m/%Y,%H:%M:%S", dt.datetime(2025, 2, 20, 9)))
    ),
    "time of day": text(table("clock,water °C", stamps("%H:%M:%S"))),
    "time of day over midnight": text(
        table("clock,water °C", stamps("%H:%M:%S", START.replace(hour=23, minute=40)))
    ),
    "date of the first day kept over midnight": text(
        table("clock,water °C", stamps("%H:%M", START.replace(hour=23, minute=40)))
    ),
    "twelve hours with halves over noon": text(
        table("clock,T_C", stamps("%I:%M:%S %p", START.replace(hour=11, minute=40)))
    ),
    "twelve hours over midnight": text(
        table("clock,T_C", stamps("%I:%M:%S %p", START.replace(hour=23, minute=40)))
    ),
    "twelve hours without halves": text(table("clock,T_C", twelve_without_halves())),
    "epoch seconds": text(table("epoch,temp_c", [1739264400 + int(s) for s in SECONDS])),
    "epoch milliseconds": text(
        table("timestamp,temp_c", [(1739264400 + int(s)) * 1000 for s in SECONDS])
    ),
    "day numbers": text(table("Date/Time,Temp (°C)", [f"{v:.9f}" for v in SERIALS])),
    "fahrenheit": text(table("time (s),Temp (°F)", [int(s) for s in SECONDS], FAHRENHEIT)),
    "degree f spelled": text(table("time (s),Temp deg F", [int(s) for s in SECONDS], FAHRENHEIT)),
    "kelvin": text(table("time (s),Temp (K)", [int(s) for s in SECONDS], KELVIN)),
    "kelvin unsaid": text(table("time (s),Temp", [int(s) for s in SECONDS], KELVIN)),
    "units row": text(table("time,temperature\ns,°C", [int(s) for s in SECONDS])),
    "units row fahrenheit": text(table("time,temp\nmin,F", [s / 60 for s in SECONDS], FAHRENHEIT)),
    "preamble": text(PREAMBLE + table("time (s),temp (°C)", [int(s) for s in SECONDS])),
    "utf-16": text(table("time (s)\ttemp (°C)", [int(s) for s in SECONDS], TEMPS, "\t"), "utf-16"),
    "windows-1252": text(
        table("time (s);temp (°C)", [int(s) for s in SECONDS], TEMPS, ";"), "cp1252"
    ),
    "trailing delimiter": text(
        table("time (s),temp (°C),", [int(s) for s in SECONDS], [f"{x}," for x in TEMPS])
    ),
    "clock put back": text(table("local time,temp", local_dst(True))),
    "clock put forward": text(table("local time,temp", local_dst(False))),
    "elapsed h:mm:ss": text(
        table("elapsed,temp", [str(dt.timedelta(seconds=int(s))) for s in SECONDS])
    ),
    "elapsed with days": text(
        table(
            "elapsed,temp",
            [f"0 days {dt.timedelta(seconds=int(s))}".replace("days ", "days 0") for s in SECONDS],
        )
    ),
    "counter before the clock": text(
        table("No.,time,temp", [f"{k + 1},{s}" for k, s in enumerate(stamps("%Y-%m-%d %H:%M:%S"))])
    ),
    "humidity beside it": text(
        table(
            "time,temp (°C),RH (%)",
            stamps("%Y-%m-%d %H:%M:%S"),
            [f"{x},{55 + k % 7}" for k, x in enumerate(TEMPS)],
        )
    ),
    "battery beside it": text(
        table(
            "time,battery (V),temp (°C)",
            [f"{s},{3.6 - k / 1000:.3f}" for k, s in enumerate(stamps("%Y-%m-%d %H:%M:%S"))],
        )
    ),
    "workbook with dates": workbook(
        [["time", "water (°C)"]]
        + [
            [START + dt.timedelta(seconds=float(s)), float(x)]
            for s, x in zip(SECONDS, TEMPS, strict=True)
        ]
    ),
    "workbook with day numbers": workbook(
        [["date time", "water (°C)"]] + [[v, float(x)] for v, x in zip(SERIALS, TEMPS, strict=True)]
    ),
    "workbook with times of day": workbook(
        [["time", "water (°C)"]]
        + [
            [(START + dt.timedelta(seconds=float(s))).time(), float(x)]
            for s, x in zip(SECONDS, TEMPS, strict=True)
        ]
    ),
    "workbook with elapsed times": workbook(
        [["elapsed", "water (°C)"]]
        + [[dt.timedelta(seconds=float(s)), float(x)] for s, x in zip(SECONDS, TEMPS, strict=True)]
    ),
    "workbook with preamble": workbook(
        [["Box", "nine"], ["Interval", "60 s"], [], ["seconds", "probe 1 (°C)"]]
        + [[float(s), float(x)] for s, x in zip(SECONDS, TEMPS, strict=True)]
    ),
    "the day of the week before the date": text(table("time,temp", stamps("%a %d %b %Y %H:%M:%S"))),
    "the name of the zone behind the time": text(
        table("time,temp", [f"{s} CET" for s in stamps("%Y-%m-%d %H:%M:%S")])
    ),
    "the time before its date": text(table("when,temp", stamps("%H:%M:%S %d/%m/%Y", DAY_20))),
    "the time with its half before its date": text(
        table("when;temp", stamps("%I:%M:%S %p, %d.%m.%Y", DAY_20), mark=";")
    ),
    "seconds since 1970 under a name of their own": text(
        table("ts,temp_c", [1739264400 + int(s) for s in SECONDS])
    ),
    "milliseconds since 1970 under a name of their own": text(
        table("ts,temp_c", [(1739264400 + int(s)) * 1000 for s in SECONDS])
    ),
    "day numbers under a heading of days": text(
        table("Day number,Temp (°C)", [f"{v:.9f}" for v in SERIALS])
    ),
    "spelled times without a heading": text(
        "\n".join(f"{int(s)} s,{x} °C" for s, x in zip(SECONDS, TEMPS, strict=True)) + "\n"
    ),
    "a freezer that rests, in rows of its own": text(
        "\n".join(
            ["time,sensor,temperature_c"]
            + [
                f"{s},{name},{value}"
                for k, (s, x) in enumerate(
                    zip(stamps("%Y-%m-%dT%H:%M:%S+01:00"), TEMPS, strict=True)
                )
                for name, value in (("cup", x), ("freezer", -18.2 + 0.1 * (k * 7 % 5)))
            ]
        )
        + "\n"
    ),
    "dates and times in digits alone": text(table("stamp,temp", stamps("%Y%m%dT%H%M%S"))),
    "fourteen digits": text(table("stamp,temp", stamps("%Y%m%d%H%M%S"))),
    "seconds since the start": text(table("Seconds since start,Temp", [int(s) for s in SECONDS])),
    "a space behind the sign": text(
        table("time (s);temp (°C)", [int(s) for s in SECONDS], SPACED, mark=";")
    ),
    "tabs and decimal commas before a unit": text(
        table("Zeit\tTemp", stamps("%H:%M:%S"), [f"{x} °C" for x in comma(TEMPS)], mark="\t"),
        "utf-16",
    ),
    "pairs above one column": text(
        "Name,Cup 1\nInterval (s),60\nLowest,-12\n\nTemperature (°C)\n"
        + "\n".join(map(str, TEMPS))
        + "\n"
    ),
    "units in the cells": text(
        table("time (s),water", [int(s) for s in SECONDS], [f"{x} °C" for x in TEMPS])
    ),
    "fahrenheit in the cells": text(
        table("time (s),water", [int(s) for s in SECONDS], [f"{x}°F" for x in FAHRENHEIT])
    ),
    "no clock but an interval": text(
        "Interval: 60 s\n\nTemperature (°C)\n" + "\n".join(map(str, TEMPS)) + "\n"
    ),
    "no clock but a rate in hertz": text(
        "Rate: 0.0166667 Hz\n\nTemperature (°C)\n" + "\n".join(map(str, TEMPS)) + "\n"
    ),
}


def require_events(one: TraceEvents, *, step_s: float = STEP_S) -> None:
    assert one.found is not None, one.because
    for name, true_s in (("t_first_ice", ICE_S), ("t_plateau_end", END_S)):
        event = one.found.events[name]
        assert event.status in ("seen", "interval"), (name, event)
        assert event.lower_s - step_s <= true_s <= event.upper_s + step_s, (name, event)
        assert event.upper_s - event.lower_s <= 4 * step_s


def water(found: CurveFiles) -> list[TraceEvents]:
    return [t for t in found.traces if t.trace.role == "water"]


@pytest.mark.parametrize("name", VARIANTS)
def test_every_way_of_writing_gives_one_reading(name: str, tmp_path: Path) -> None:
    found = mf.read_curves(VARIANTS[name](tmp_path))
    (one,) = water(found)
    assert (one.trace.samples, one.trace.marked_bad) == (ROWS, 0), one.trace.how
    assert one.trace.time_s[0] == 0
    np.testing.assert_allclose(one.trace.time_s, SECONDS, atol=0.5)
    np.testing.assert_allclose(one.trace.temp_c, TEMPS, atol=0.011)
    require_events(one)
