"""Invented logger files in all the ways in which one curve is written."""

from collections.abc import Callable
from datetime import datetime, timedelta

import numpy as np


def temperatures(chance: np.random.Generator, n: int = 1500) -> list[str]:
    """Give readings of water that cools."""
    values = 80 * np.exp(-np.arange(n) / 400) - 6 + chance.normal(0, 0.05, n)
    return [f"{v:.2f}" for v in values]


def _stamp(k: int, end: str = "") -> str:
    return f"2025-02-11 09:{k // 60 % 60:02d}:{k % 60:02d}{end}"


def _rows(clock: Callable[[int], str], temps: list[str], mark: str = ",") -> list[str]:
    return [f"{clock(k)}{mark}{t}" for k, t in enumerate(temps)]


def plain(temps: list[str]) -> str:
    return "\n".join(["elapsed (s),water (°C)", *_rows(str, temps)]) + "\n"


def _words(temps: list[str]) -> str:
    temps[700:703] = ["open", "", "open"]
    return plain(temps)


def _nothing(temps: list[str]) -> str:
    temps[900] = "NaN"
    temps[901] = "inf"
    return plain(temps)


def _sentinels(temps: list[str]) -> str:
    temps[600], temps[800] = "-127.00", "85.00"
    return plain(temps)


def returns(temps: list[str]) -> str:
    return plain(temps).replace("\n", "\r\n")


def _commas(temps: list[str]) -> str:
    temps = [t.replace(".", ",") for t in temps]
    return "\n".join(["elapsed (s);water (°C)", *_rows(str, temps, ";")]) + "\n"


def _trailing(temps: list[str]) -> str:
    return plain(temps).replace("\n", ",\n")


def _blanks(temps: list[str]) -> str:
    temps[400] = "  "
    temps[500] = f" {temps[500]} "
    return plain(temps)


def _quoted_head(temps: list[str]) -> str:
    return "\n".join(['"elapsed (s)","water, inner (°C)"', *_rows(str, temps)]) + "\n"


def stamps(temps: list[str]) -> str:
    return "\n".join(["time,water (°C)", *_rows(_stamp, temps)]) + "\n"


def _fractions(temps: list[str]) -> str:
    rows = _rows(lambda k: _stamp(k // 2, f".{5 * (k % 2)}00"), temps)
    return "\n".join(["time,water (°C)", *rows]) + "\n"


def _repeated(temps: list[str]) -> str:
    rows = _rows(_stamp, temps)
    rows[300:300] = [rows[299], f"{_stamp(299)},{float(temps[299]) + 3:.2f}"]
    return "\n".join(["time,water (°C)", *rows]) + "\n"


def _missing_stamp(temps: list[str]) -> str:
    rows = _rows(_stamp, temps)
    rows[1100] = f",{temps[1100]}"
    return "\n".join(["time,water (°C)", *rows]) + "\n"


def _back_an_hour(temps: list[str]) -> str:
    rows = _rows(lambda k: _stamp(k if k < 1000 else k - 600), temps)
    return "\n".join(["time,water (°C)", *rows]) + "\n"


def _state(temps: list[str]) -> str:
    rows = [f"{row},{'ok' if k % 3 else 'low'}" for k, row in enumerate(_rows(str, temps))]
    return "\n".join(["elapsed (s),water (°C),state", *rows]) + "\n"


def clocked(
    clock: Callable[[int], str], heading: str = "time", mark: str = ","
) -> Callable[[list[str]], str]:
    """Make a file of one clock, named by its heading, and one temperature."""

    def write(temps: list[str]) -> str:
        return "\n".join([f"{heading}{mark}water (°C)", *_rows(clock, temps, mark)]) + "\n"

    write.__name__ = f"_{clock.__name__.strip('_')}"
    return write


_BEGAN = datetime(2025, 1, 28, 22, 40, 7)


def _at(k: int, step_s: float = 97.0) -> datetime:
    return _BEGAN + timedelta(seconds=k * step_s)


def day_first(k: int) -> str:
    return f"{_at(k):%d.%m.%Y %H:%M:%S}"


def _day_first_bare(k: int) -> str:
    at = _at(k)
    return f"{at.day}/{at.month}/{at.year} {at.hour}:{at:%M}"


def _month_first_halves(k: int) -> str:
    return f"{_at(k):%m/%d/%Y %I:%M:%S %p}"


def _halves_bare(k: int) -> str:
    at = _at(k)
    return f"{at.month}/{at.day}/{at:%y} {at.hour % 12 or 12}:{at:%M:%S} {at:%p}".lower()


def _chinese_halves(k: int) -> str:
    at = _at(k)
    half = "上午" if at.hour < 12 else "下午"
    return f"{at.year}年{at.month}月{at.day}日 {half}{at.hour % 12 or 12}:{at:%M:%S}"


def _undecidable(k: int) -> str:
    return f"{datetime(2025, 3, 4, 9) + timedelta(seconds=k):%m/%d/%Y %H:%M:%S}"


def _zulu(k: int) -> str:
    return f"{_at(k):%Y-%m-%dT%H:%M:%S}Z"


def _offset(k: int) -> str:
    # The clocks go back in the middle, and the offset says so.
    return f"{_at(k):%Y-%m-%d %H:%M:%S}{'+02:00' if k < 700 else '+01:00'}"


def _milliseconds(k: int) -> str:
    at = _at(k, 0.25)
    return f"{at:%Y-%m-%dT%H:%M:%S}.{at.microsecond // 1000:03d}+0100"


def _parts_dropped(k: int) -> str:
    at = _at(k, 0.5)
    return f"{at:%d.%m.%Y %H:%M:%S}{'.5' if at.microsecond else ''}"


def _nanoseconds(k: int) -> str:
    at = _at(k, 0.25)
    return f"{at:%Y/%m/%d %H:%M:%S}.{at.microsecond:06d}{k % 1000:03d}"


def _month_named(k: int) -> str:
    return f"{_at(k):%d-%b-%Y %H:%M:%S}"


def _weekday(k: int) -> str:
    return f"{_at(k):%a %d %b %Y %H:%M:%S} CET"


def _some_odd_stamps(k: int) -> str:
    return {300: "31.02.2025 10:00:00", 301: "power cut", 302: "01.01.2025 24:00:00"}.get(
        k, f"{_BEGAN + timedelta(seconds=k * 97):%d.%m.%Y %H:%M:%S}"
    )


def _half_past_noon(k: int) -> str:
    return "02/11/2025 13:00:00 PM" if k == 200 else f"{_at(k):%m/%d/%Y %I:%M:%S %p}"


def _spaced(k: int) -> str:
    return f" {_at(k):%d.%m.%Y  %H:%M:%S} "


def _of_day(k: int) -> str:
    return f"{_at(k):%H:%M:%S}"


def _of_day_halves(k: int) -> str:
    return f"{_at(k):%I:%M:%S %p}".lstrip("0")


def _of_day_offset(k: int) -> str:
    return f"{_at(k):%H:%M:%S}+01:00"


def _of_day_parts(k: int) -> str:
    at = _at(k, 0.1)
    return f"{at:%H:%M:%S},{at.microsecond // 100000}"


def _elapsed(k: int) -> str:
    s = k * 300
    return f"{s // 3600}:{s // 60 % 60:02d}:{s % 60:02d}"


def _elapsed_parts(k: int) -> str:
    s = k * 300
    return f"{s // 3600}:{s // 60 % 60:02d}:{s % 60:02d}.{k % 10}"


def _elapsed_days(k: int) -> str:
    s = k * 300
    return f"{s // 86400}.{s // 3600 % 24:02d}:{s // 60 % 60:02d}:{s % 60:02d}"


def _two_fields(k: int) -> str:
    return f"{k // 60}:{k % 60:02d}"


def _two_fields_parts(k: int) -> str:
    return f"{k // 600}:{k // 10 % 60:02d}.{k % 10}"


def _hours_alone(k: int) -> str:
    return f"{k // 60 % 24}:{k % 60:02d}"


def _broken_times(k: int) -> str:
    return {400: "09:61:00", 401: "--:--:--", 402: "1:2:3"}.get(k, f"{_at(k):%H:%M:%S}")


def _spoken(k: int) -> str:
    return f"{k // 3600}h {k // 60 % 60}m {k % 60}.{k % 10}s"


def _tenths(k: int) -> str:
    return f"{k / 10:.1f}"


def _thousandths(k: int) -> str:
    return f"{k * 0.125:.3f}"


def _powers(k: int) -> str:
    return f"{k + 1:.4e}"


def _signed(k: int) -> str:
    return f"+{k}"


def _epoch(k: int) -> str:
    return str(1739264400 + k)


def _serial(k: int) -> str:
    return f"{45699.375 + k / 86400:.8f}"


def _day_number(k: int) -> str:
    return f"{45699 + k / 1440:.6f}".replace(".", ",")


def _three_commas(temps: list[str]) -> str:
    rows = [f"{k};{float(t):.3f}".replace(".", ",") for k, t in enumerate(temps)]
    return "\n".join(["Zeit (s);Wasser (°C)", *rows]) + "\n"


def _grouped(temps: list[str]) -> str:
    rows = [f"{k:,};{t}" for k, t in enumerate(temps)]
    return "\n".join(["time (s);water (°C)", *rows]) + "\n"


def _both_marks(temps: list[str]) -> str:
    rows = [f"{k};{t.replace('.', ',') if k % 3 else t}" for k, t in enumerate(temps)]
    return "\n".join(["time (s);water (°C)", *rows]) + "\n"


def _words_and_commas(temps: list[str]) -> str:
    temps = [t.replace(".", ",") for t in temps]
    temps[400:402] = ["OPEN", "---"]
    return "\n".join(["time (s);water (°C)", *_rows(str, temps, ";")]) + "\n"


def _few_commas(temps: list[str]) -> str:
    rows = [f"{k};{t.replace('.', ',') if k % 50 == 7 else t}" for k, t in enumerate(temps)]
    return "\n".join(["time (s);water (°C)", *rows]) + "\n"


def _spaced_thousands(temps: list[str]) -> str:
    rows = [f"{k:,};{t}".replace(",", "\u202f") for k, t in enumerate(temps)]
    return "\n".join(["time (s);water (°C)", *rows]) + "\n"


def _dates_beside(temps: list[str]) -> str:
    rows = [f"{_at(k):%d/%m/%Y},{_at(k):%H:%M:%S},{t}" for k, t in enumerate(temps)]
    return "\n".join(["Date,Time,water (°C)", *rows]) + "\n"


def _iso_dates_beside(temps: list[str]) -> str:
    rows = [f"{_at(k):%Y-%m-%d},{_at(k):%H:%M:%S},{t}" for k, t in enumerate(temps)]
    return "\n".join(["Date,Time,water (°C)", *rows]) + "\n"


def _all_quoted(temps: list[str]) -> str:
    rows = [f'"{_stamp(k)}","{t}","say ""hi"""' for k, t in enumerate(temps)]
    return "\r\n".join(['"time","water (°C)","note"', *rows]) + "\r\n"


def _events(temps: list[str]) -> str:
    rows = [
        f"{row},{'door, opened' if k in (300, 900) else ''}"
        for k, row in enumerate(_rows(str, temps))
    ]
    rows = [row.replace("door, opened", '"door, opened"') for row in rows]
    return "\n".join(["elapsed (s),water (°C),event", *rows]) + "\n"


def _two_probes(temps: list[str]) -> str:
    rows = [f"{k},{t},{'' if k < 700 else f'{float(t) - 3:.1f}'}" for k, t in enumerate(temps)]
    return "\n".join(["elapsed (s),hot (°C),cold (°C)", *rows]) + "\n"


def _probes_in_rows(temps: list[str]) -> str:
    rows = [
        f"{_stamp(k // 2)},{'AB'[k % 2]},{float(t) - 5 * (k % 2):.2f}" for k, t in enumerate(temps)
    ]
    return "\n".join(["time,probe,water (°C)", *rows]) + "\n"


def _newest_first(temps: list[str]) -> str:
    rows = _rows(lambda k: f"{_at(k):%d.%m.%Y %H:%M:%S}", temps)
    return "\n".join(["Zeit,water (°C)", *rows[::-1]]) + "\n"


def _typeset(temps: list[str]) -> str:
    return plain([t.replace("-", "\u2212") for t in temps])


def _with_degrees(temps: list[str]) -> str:
    return "\n".join(["time (s),water", *_rows(str, [f"{t} °C" for t in temps])]) + "\n"


def _single_spaces(temps: list[str]) -> str:
    return "\n".join(["time(s) water(°C)", *_rows(str, temps, " ")]) + "\n"


def _nothing_else(temps: list[str]) -> str:
    return "\n".join(["Interval: 5 s", "water (°C)", *temps]) + "\n"


FILES: list[Callable[[list[str]], str]] = [
    _single_spaces,
    _nothing_else,
    _three_commas,
    _grouped,
    _both_marks,
    _words_and_commas,
    _few_commas,
    _spaced_thousands,
    _dates_beside,
    _iso_dates_beside,
    _all_quoted,
    _events,
    _two_probes,
    _probes_in_rows,
    _newest_first,
    _typeset,
    _with_degrees,
    *map(
        clocked,
        [
            *(day_first, _day_first_bare, _month_first_halves, _halves_bare, _chinese_halves),
            *(_undecidable, _zulu, _offset, _milliseconds, _parts_dropped, _nanoseconds),
            *(_month_named, _weekday, _some_odd_stamps, _half_past_noon, _spaced),
            *(_of_day, _of_day_halves, _of_day_offset, _two_fields, _two_fields_parts),
            *(_hours_alone, _broken_times, _spoken, _tenths, _thousandths, _powers, _signed),
            *(_epoch, _serial),
        ],
    ),
    clocked(_of_day_parts, mark=";"),
    clocked(_day_number, mark=";"),
    clocked(_elapsed, "elapsed"),
    clocked(_elapsed_days, "elapsed"),
    clocked(_elapsed_parts, "elapsed"),
    plain,
    _words,
    _nothing,
    _sentinels,
    returns,
    _commas,
    _trailing,
    _blanks,
    _quoted_head,
    stamps,
    _fractions,
    _repeated,
    _missing_stamp,
    _back_an_hour,
    _state,
]
