"""Cells that contradict each other: for each rule one row of two that breaks it.

The first row is sound and nothing is said of it; the whole message, its place, its remedy
and its severity are compared for the second one.
"""

from __future__ import annotations

import inspect
import re
from dataclasses import dataclass

import pytest
from naming_sheets import check_text

from metafreeze.errors import Severity
from metafreeze.register.rows import checks, group_checks
from metafreeze.register.schema import FIELDS


@dataclass(frozen=True)
class Clash:
    """A sheet whose last row contradicts itself, and what is said of it."""

    rule: str
    heading: str
    sound: str
    wrong: str
    column: str
    message: str
    remedy: str
    severity: Severity = "error"
    run: str = ""

    def __str__(self) -> str:
        return f"{self.rule} {self.column}"


CLASHES = (
    Clash(
        "mass-grew",
        "run;start (°C);freeze (min);water at start (g);water at end (g)",
        "R1;80;41;100;95",
        "R2;20;39;100;101",
        "water at end (g)",
        "The water weighs more at the end than at the start",
        "Check the two weighings; wipe frost off before the second one",
    ),
    Clash(
        "lost-more-than-all",
        "run;start (°C);freeze (min);water at start (g);mass lost (g)",
        "R1;80;41;100;9",
        "R2;20;39;100;101",
        "mass lost (g)",
        "More mass is lost than there was at the start",
        "Check the mass lost and the water at start",
    ),
    Clash(
        "peak-below-start",
        "run;start (°C);freeze (min);peak temperature (°C)",
        "R1;80;41;90",
        "R2;20;39;15",
        "peak temperature (°C)",
        "The peak temperature lies below the start temperature",
        "Check the two temperatures",
    ),
    Clash(
        "more-specimens-than-runs",
        "source;arm;n;specimens;start (°C);mean (min);SD (min)",
        "A;hot;12;6;80;41;3",
        "A;cold;5;6;20;39;2",
        "specimens",
        "There are more specimens than runs",
        "Check the counts",
    ),
    Clash(
        "supercooling-disagrees",
        "run;start (°C);freeze (min);supercooling (K);temperature at first ice (°C)",
        "R1;80;41;5;-5",
        "R2;20;39;5;-8",
        "supercooling (K)",
        "Supercooling and temperature at first ice do not fit each other for plain water",
        "Leave it if the freezing point is not 0 °C",
        "note",
    ),
    Clash(
        "loss-disagrees",
        "run;start (°C);freeze (min);water at start (g);water at end (g);mass lost (g)",
        "R1;80;41;100;95;5",
        "R2;20;39;100;95;9",
        "mass lost (g)",
        "The mass lost is not the difference of the two weighings",
        "Check the three values",
        "note",
    ),
    Clash(
        "sealed-yet-lost",
        "run;start (°C);freeze (min);lid;mass lost (g)",
        "R1;80;41;open;9",
        "R2;20;39;sealed;9",
        "mass lost (g)",
        "A sealed vessel lost mass",
        "Check lid and mass lost",
        "note",
    ),
    Clash(
        "more-than-all-pairs",
        "source;hot first;pairs;ties",
        "A;5;10;1",
        "B;8;10;3",
        "hot first",
        "Hot first and ties together are more than all pairs",
        "Check the counts",
    ),
    Clash(
        "hot-not-hotter",
        "source;hot start (°C);cold start (°C);contrast_value (min);contrast_se (min)",
        "A;80;20;2;1",
        "B;20;80;2;1",
        "hot start (°C)",
        "The hot start is not above the cold start",
        "Check the two temperatures, or turn the contrast round",
    ),
    Clash(
        "threshold-missing",
        "run;start (°C);freeze (min);endpoint",
        "R1;80;41;t_solid",
        "R2;20;39;t_threshold",
        "endpoint",
        "The endpoint t_threshold needs the temperature that was reached",
        "Add a column “threshold (°C)”, or write the endpoint as reached 4 °C",
    ),
    Clash(
        "threshold-above-start",
        "run;start (°C);freeze (min);endpoint;threshold (°C)",
        "R1;80;41;t_threshold;4",
        "R2;20;39;t_threshold;25",
        "threshold (°C)",
        "The threshold is not below the start temperature",
        "Check threshold and start temperature",
    ),
    Clash(
        "residual-start-missing",
        "run;start (°C);freeze (min);endpoint;counted from (°C);counted to",
        "R1;80;41;t_residual;20;t_solid",
        "R2;20;39;t_residual;;t_solid",
        "endpoint",
        "The endpoint t_residual needs the temperature from which it is counted",
        "Add a column “counted from (°C)”",
    ),
    Clash(
        "residual-end-missing",
        "run;start (°C);freeze (min);endpoint;counted from (°C);counted to",
        "R1;80;41;t_residual;20;t_solid",
        "R2;20;39;t_residual;20;",
        "endpoint",
        "The endpoint t_residual needs the event to which it is counted",
        "Add a column “counted to” with one of t_threshold, t_zero, t_first_ice, t_plateau_end, "
        "t_solid",
    ),
    Clash(
        "residual-above-start",
        "run;start (°C);freeze (min);endpoint;counted from (°C);counted to",
        "R1;80;41;t_residual;20;t_solid",
        "R2;20;39;t_residual;25;t_solid",
        "counted from (°C)",
        "The endpoint t_residual is counted from above the start temperature",
        "Check the two temperatures; it is counted from the colder arm's start",
    ),
    Clash(
        "ice-mass-missing",
        "run;start (°C);freeze (min);endpoint;ice mass (g);measured at (min)",
        "R1;80;41;t_solid;;",
        "R2;20;;ice_at_time;;60",
        "endpoint",
        "The endpoint ice_at_time needs the ice mass and the time at which it was measured",
        "Add columns “ice mass (g)” and “measured at (min)”",
    ),
    Clash(
        "events-out-of-order",
        "run;start (°C);first ice (min);solid (min)",
        "R1;80;20;41",
        "R2;20;45;39",
        "first ice (min)",
        "First ice is later than fully frozen",
        "Check the two times",
    ),
    Clash(
        "events-out-of-order",
        "run;start (°C);first ice (min);end of plateau (min)",
        "R1;80;20;41",
        "R2;20;45;39",
        "first ice (min)",
        "First ice is later than the end of the plateau",
        "Check the two times",
    ),
    Clash(
        "events-out-of-order",
        "run;start (°C);0 °C (min);solid (min)",
        "R1;80;20;41",
        "R2;20;45;39",
        "0 °C (min)",
        "0 °C was reached later than fully frozen",
        "Check the two times",
    ),
    Clash(
        "window-reversed",
        "run;start (°C);not yet at (min);seen by (min)",
        "R1;80;35;41",
        "R2;20;40;39",
        "seen by (min)",
        "Not yet frozen at “40” but frozen by “39”: the window ends before it begins",
        "Correct “not yet at (min)” or “seen by (min)”",
    ),
    Clash(
        "bounds-swapped",
        "source;arm;start (°C);mean (min);interval from (min);interval to (min);n",
        "A;hot;80;41;39;43;12",
        "A;cold;20;39;41;37;12",
        "interval from (min)",
        "The lower confidence limit lies above the upper one",
        "Write the smaller one first",
        run="A",
    ),
    Clash(
        "outside-own-interval",
        "source;arm;start (°C);mean (min);interval from (min);interval to (min);n",
        "A;hot;80;41;39;43;12",
        "A;cold;20;39;41;47;12",
        "mean (min)",
        "The mean lies outside its own interval",
        "Check the row against its source",
        run="A",
    ),
    Clash(
        "bounds-swapped",
        "source;arm;start (°C);median (min);first quartile (min);third quartile (min);n",
        "A;hot;80;41;39;43;12",
        "A;cold;20;39;41;37;12",
        "first quartile (min)",
        "The first quartile lies above the third one",
        "Write the smaller one first",
        run="A",
    ),
    Clash(
        "outside-own-interval",
        "source;arm;start (°C);median (min);first quartile (min);third quartile (min);n",
        "A;hot;80;41;39;43;12",
        "A;cold;20;39;41;47;12",
        "median (min)",
        "The median lies outside its own spread",
        "Check the row against its source",
        run="A",
    ),
    Clash(
        "bounds-swapped",
        "source;arm;start (°C);mean (min);smallest (min);largest (min);n",
        "A;hot;80;41;39;43;12",
        "A;cold;20;39;41;37;12",
        "smallest (min)",
        "The smallest time lies above the largest one",
        "Write the smaller one first",
        run="A",
    ),
    Clash(
        "bounds-swapped",
        "source;contrast_value (min);contrast_low (min);contrast_high (min)",
        "A;2;1;3",
        "B;2;3;1",
        "contrast_low (min)",
        "B: The lower limit 3 lies above the upper one 1",
        "Write the smaller limit first",
        run="B",
    ),
    Clash(
        "outside-own-interval",
        "source;contrast_value (min);contrast_low (min);contrast_high (min)",
        "A;2;1;3",
        "B;2;3;4",
        "contrast_value (min)",
        "B: The estimate 2 lies outside its own interval, 3 to 4",
        "Check the row against its source",
        run="B",
    ),
    Clash(
        "ratio-not-positive",
        "source;contrast_value;contrast_scale;contrast_se",
        "A;1.1;ratio hot/cold;0.02",
        "B;-0.5;ratio hot/cold;0.1",
        "contrast_value",
        "“-0.5” gives a ratio of -0.5, and a ratio of times is above zero",
        "Check the row against its source",
    ),
    Clash(
        "conflicting-rows",
        "run;lab;start (°C);freeze (min)",
        "R1;A;80;41",
        "R1;A;80;45",
        "",
        "Run “R1” of lab A stands in rows 2 and 3 with different values (freezing time 41 min and "
        "45 min)",
        "Correct one of the two rows, give the runs different names, or give one a reason in a "
        "column “excluded because”",
        run="R1",
    ),
)


@pytest.mark.parametrize("clash", CLASHES, ids=str)
def test_a_row_that_contradicts_itself_is_named_whole(clash: Clash) -> None:
    check = check_text("\n".join((clash.heading, clash.sound, clash.wrong)) + "\n")
    (fault,) = [f for f in check.findings if f.rule == clash.rule]
    place = "sheet.csv, row 3" + (f", column {clash.column}" if clash.column else "")
    place += f', run "{clash.run}"' if clash.run else ""
    assert str(fault) == f"{clash.message}. {place}. {clash.remedy}."
    assert fault.severity == clash.severity
    assert check.accepted == (clash.severity == "note")


@pytest.mark.parametrize("clash", CLASHES, ids=str)
def test_a_row_that_does_not_is_left_in_peace(clash: Clash) -> None:
    check = check_text("\n".join((clash.heading, clash.sound)) + "\n")
    assert clash.rule not in {f.rule for f in check.findings}
    assert check.accepted


def test_every_rule_of_contradiction_is_planted() -> None:
    planted = {clash.rule for clash in CLASHES}
    together = {row[3] for row in checks._TOGETHER}
    source = inspect.getsource(checks._check_endpoint) + inspect.getsource(checks.check_rows)
    source += inspect.getsource(checks._check_order_of_events)
    spoken = set(re.findall(r'^\s+"([a-z]+(?:-[a-z]+)+)",$', source, re.M))
    assert together and len(spoken) > 8
    assert together | spoken <= planted
    ordered = {f"{low_words} lies above {high}" for _, _, low_words, high in group_checks._ORDERED}
    assert ordered <= {clash.message for clash in CLASHES}


def test_every_column_of_a_rule_is_in_the_schema() -> None:
    names = {f.name for f in FIELDS}
    for columns, *_, field in checks._TOGETHER:
        assert {*columns, field} <= names
