"""Two registers or reports beside each other: their rows, numbers and verdicts."""

import json

import numpy as np
import pandas as pd
import pytest

import metafreeze as mf
from metafreeze.analysis.against import NUMBER_COLUMNS, compare_bundles
from metafreeze.cli.main import answer
from metafreeze.reporting.files import read_report
from metafreeze.reporting.tracing import numbers_without_result


def sheet(labs, *, faster=0.0, corrected=None):
    """Invent a sheet: `labs` labs of three batches, hot vessels later by a tenth less `faster`."""
    rng = np.random.default_rng(5)
    lines = ["lab,batch,run,start_C,freezer_C,water_g,vessel,freeze_min"]
    for lab in range(labs):
        for batch in range(3):
            for run, start in enumerate((20, 80, 20, 80)):
                hot = start > 50
                minutes = 60 * np.exp(hot * (0.1 - faster) + 0.03 * rng.normal())
                name = f"L{lab}B{batch}R{run}"
                minutes = (corrected or {}).get(name, f"{minutes:.2f}")
                lines.append(f"Lab {lab},{batch},{name},{start},-18,100,beaker,{minutes}")
    return "\n".join(lines) + "\n"


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    return tmp_path


def register(folder, name, text):
    (folder / f"{name}.csv").write_text(text, encoding="utf-8")
    made = mf.create_register(folder / name, title=name, primary_endpoint="t_solid")
    made.add(folder / f"{name}.csv")
    return made


def test_a_register_is_its_own_like(folder, capsys):
    register(folder, "one", sheet(3))
    assert answer(["report", "one", "--against", "one", "--json"]) == 0
    against = json.loads(capsys.readouterr().out)["results"]["against"]
    assert against["same_question"] and against["agree"] is True
    assert (against["shared"], against["changed"]) == (36, 0)
    assert against["headline"] == "Both come to the same two verdicts."
    changes = [n["change"] for n in against["numbers"] if n["change"] is not None]
    assert changes and not any(changes)


def test_rows_are_told_apart_and_numbers_subtracted(folder, capsys):
    register(folder, "one", sheet(4))
    register(folder, "two", sheet(3, corrected={"L0B0R1": "90.00"}))
    mf.report(mf.open_register("two"), out="theirs")
    assert answer(["report", "one", "--against", "theirs", "--out", "beside"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "35 rows in both; 1 row of one run with other content; 12 rows only here" in said
    assert "Only here: Lab 3." in said
    written = read_report("beside")
    against = written.results["against"]
    theirs = read_report("theirs").results["pool"]["log_ratio"]
    effect = next(n for n in against["numbers"] if n["number"] == "like with like, all labs")
    assert effect["here"] == written.results["pool"]["log_ratio"]
    assert effect["there"] == theirs
    assert effect["change"] == pytest.approx(effect["here"] - theirs)
    listed = written.tables["against-rows"]
    assert list(listed["where"].value_counts()[["only here", "other content"]]) == [12, 1]
    changed = listed[listed["where"] == "other content"].iloc[0]
    assert changed["run_id"] == "L0B0R1"
    assert set(changed["fields"].split(", ")) == {"time_lower_s", "time_upper_s"}


def test_a_verdict_that_differs_is_said_first(folder, capsys):
    register(folder, "later", sheet(8))
    register(folder, "sooner", sheet(8, faster=0.4))
    assert answer(["report", "later", "--against", "sooner", "--out", "beside"]) == 0
    said = " ".join(capsys.readouterr().out.split())
    assert "as seen: cooler first here, hotter first there" in said
    assert "At least one pooled effect lies outside the range of the other." in said
    html = (folder / "beside" / "report.html").read_text("utf-8")
    assert "What differs from" in html


def test_two_reports_are_set_beside_each_other_without_their_registers(folder, capsys):
    for name, labs in (("one", 3), ("two", 4)):
        mf.report(register(folder, name, sheet(labs)), out=f"report-{name}")
    before = (folder / "report-one" / "results.json").read_bytes()
    assert answer(["report", "report-one", "--against", "report-two", "--out", "both"]) == 0
    assert (folder / "report-one" / "results.json").read_bytes() == before
    both = read_report("both").results
    assert {k: v for k, v in both.items() if k != "against"} == json.loads(before)
    assert both["against"]["only_there"] == 12


def test_every_number_of_the_comparison_has_a_result(folder):
    one, two = register(folder, "one", sheet(4)), register(folder, "two", sheet(3))
    published = mf.report(one, out="beside", against=two)
    assert any(s.key == "against" for s in published.content.sections)
    found = numbers_without_result(published.content, published.results, published.tables)
    assert found == ()


def test_other_questions_are_named(folder):
    one = mf.report(register(folder, "one", sheet(3)), out="a")
    other = json.loads(json.dumps(one.results))
    other["register"].update(endpoint="t_zero", endpoint_words="at freezing point")
    other["pool"]["hot_c"] = 50.0
    rows = one.tables["rows"]
    found = compare_bundles(one.results, rows, other, rows)
    assert not found.same_question
    assert "fully frozen here and at freezing point there" in found.question
    assert "80 against 20 °C here and 50 against 20 °C there" in found.question
    assert list(found.to_frame().columns) == list(NUMBER_COLUMNS)


def test_what_cannot_be_estimated_is_no_number(folder, capsys):
    register(folder, "one", sheet(3))
    register(folder, "none", "lab,run,start_C,freeze_min\nNorth,1,20,60\n")
    assert answer(["report", "one", "--against", "none", "--json"]) == 0
    against = json.loads(capsys.readouterr().out)["results"]["against"]
    effect = next(n for n in against["numbers"] if n["number"] == "like with like, all labs")
    assert effect["there"] is None and effect["change"] is None and against["agree"] is None
    assert against["verdicts"][0]["there"] == "not estimable"


REFUSED = {
    "no register": (["one", "--against", "nowhere"], 2, "nowhere holds no register"),
    "a report alone": (["report-one"], 2, "is a report already"),
    "half a report": (["one", "--against", "half"], 2, "is no whole report: it lacks pool"),
    "a broken report": (["one", "--against", "broken"], 2, "cannot be read as a report"),
}


@pytest.mark.parametrize("name", REFUSED)
def test_what_cannot_be_compared_is_refused(name, folder, capsys):
    mf.report(register(folder, "one", sheet(2)), out="report-one")
    for bad, text in (("half", '{"register": {}, "challenge": {}}'), ("broken", '{"regis')):
        (folder / bad).mkdir()
        (folder / bad / "results.json").write_text(text)
    words, code, part = REFUSED[name]
    assert answer(["report", *words]) == code
    assert part in " ".join(capsys.readouterr().err.split())


def test_rows_without_names_pair_by_content_alone():
    rows = pd.DataFrame({"lab_id": ["A", "A"], "source_id": ["s", "s"], "run_id": [None, None]})
    rows = rows.assign(block_id=None, endpoint="t_solid", start_temp_c=[20.0, 80.0])
    moved = rows.assign(start_temp_c=[20.0, 81.0])
    empty = {"register": {"endpoint": "t_solid"}, "pool": {}, "challenge": {}}
    found = compare_bundles(empty, rows, empty, moved)
    assert (found.shared, found.changed, found.only_here, found.only_there) == (1, 0, 1, 1)
