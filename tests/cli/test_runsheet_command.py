"""The run sheet as it is typed: drawn, printed, filled in, and read back with no question."""

import csv
import json

import numpy as np
import pytest
from pypdf import PdfReader

import metafreeze as mf
from metafreeze.cli.main import answer
from metafreeze.errors import InputError
from metafreeze.planning.runsheet import ENDPOINT_NEEDS, FREEZE_TIME, draw_run_sheet
from metafreeze.reporting.run_sheet import COLUMNS, render_run_sheet

# ISO 216 and ANSI sizes, turned, in points; half a point for rounding.
SIZES = {"a4": (841.89, 595.28), "letter": (792.0, 612.0)}
HALF_POINT = 0.5


@pytest.fixture
def register(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert answer(["new", "winter", "--endpoint", "t_solid", "--lab", "Invented shed"]) == 0
    return tmp_path / "winter"


def fill(path, cells, lines=None):
    """Write cells into some lines of a sheet, as a person would in a spreadsheet."""
    with path.open(encoding="utf-8-sig", newline="") as stream:
        rows = list(csv.reader(stream))
    for number, row in enumerate(rows[1:]):
        if lines is None or number in lines:
            for heading, value in cells.items():
                row[rows[0].index(heading)] = value(number) if callable(value) else value
    with path.open("w", encoding="utf-8-sig", newline="") as stream:
        csv.writer(stream).writerows(rows)
    return rows


def test_drawn_filled_in_and_added_with_no_question(register, tmp_path, capsys):
    assert answer(["runsheet", "winter", "--vessels", "4", "--batches", "3", "--sham",
                   "--probe", "0.5", "0", "--sink", "freezer", "--seed", "8"]) == 0  # fmt: skip
    said = capsys.readouterr().out
    assert "seed 8" in said and "Hot water scalds" in said and "supervision" in said
    rows = fill(
        tmp_path / "runsheet.csv",
        {
            "start temperature (°C)": lambda n: f"{20 + n}",
            "water at start (g)": "100.4",
            "water at end (g)": "98.9",
            "freezer temperature (°C)": "-18",
            "frost before (mm)": "0",
            "frost melted": "no",
            "trigger": "none",
            FREEZE_TIME: lambda n: "250-260" if n == 0 else (">300" if n == 1 else "255"),
        },
    )
    assert answer(["add", "winter", "runsheet.csv"]) == 0
    taken = mf.open_register(register).rows()
    assert len(taken) == 12
    assert taken["exclusion_reason"].isna().all()
    assert taken["run_id"].tolist() == [r[rows[0].index("run")] for r in rows[1:]]
    assert set(taken["lab_id"]) == {"Invented shed"}
    assert set(taken["endpoint"]) == {"t_solid"}
    assert set(taken["assignment"]) == {"randomised"}
    assert set(taken["sham"].dropna()) == {"A", "B"}
    assert taken["insertion_order"].tolist() == [1, 2, 3, 4] * 3
    assert (taken["probe_height_frac"] == 0.5).all()
    assert np.allclose(taken["mass_evaporated_g"].astype(float), 1.5)
    assert taken["time_upper_s"].isna().tolist() == [False, True] + [False] * 10
    # The next sheet goes on with the next batch, so that its runs are new ones.
    assert answer(["runsheet", "winter", "--out", "next", "--json"]) == 0
    capsys.readouterr()
    assert (tmp_path / "next.csv").read_text("utf-8-sig").splitlines()[1].split(",")[1] == "4"


def test_lines_still_empty_are_left_out_and_filled_in_later(register, tmp_path):
    assert answer(["runsheet", "winter", "--vessels", "4", "--batches", "2"]) == 0
    cells = {"start temperature (°C)": "70", FREEZE_TIME: "255"}
    fill(tmp_path / "runsheet.csv", cells, lines=range(4))
    assert answer(["add", "winter", "runsheet.csv"]) == 0
    rows = mf.open_register(register).rows()
    assert rows["exclusion_reason"].notna().tolist() == [False] * 4 + [True] * 4
    fill(tmp_path / "runsheet.csv", cells)
    assert answer(["add", "winter", "runsheet.csv", "--replace"]) == 0
    assert mf.open_register(register).rows()["exclusion_reason"].isna().sum() == 8


FILLED = {
    "threshold (°C)": "4",
    "counted from (°C)": "20",
    "counted to": "t_zero",
    "measured at (min)": "120",
    "ice mass (g)": "31.5",
}


@pytest.mark.parametrize("endpoint", [*ENDPOINT_NEEDS, "t_zero", "t_first_ice"])
def test_every_endpoint_has_its_own_columns_and_is_read_back(endpoint, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert answer(["new", "winter"]) == 0
    assert answer(["runsheet", "--lab", "Invented shed", "--endpoint", endpoint]) == 0
    head = (tmp_path / "runsheet.csv").read_text("utf-8-sig").splitlines()[0].split(",")
    cells = {name: value for name, value in FILLED.items() if name in head}
    assert len(cells) == len(ENDPOINT_NEEDS.get(endpoint, ()))
    if FREEZE_TIME in head:
        cells[FREEZE_TIME] = "75"
    fill(tmp_path / "runsheet.csv", {"start temperature (°C)": "70", **cells})
    assert answer(["add", "winter", "runsheet.csv"]) == 0
    rows = mf.open_register(tmp_path / "winter").rows()
    assert set(rows["endpoint"]) == {endpoint}
    assert rows["exclusion_reason"].isna().all()


def test_a_sheet_is_never_written_over(register, tmp_path, capsys):
    assert answer(["runsheet", "winter"]) == 0
    before = (tmp_path / "runsheet.csv").read_bytes()
    capsys.readouterr()
    assert answer(["runsheet", "winter"]) == 1
    assert "may be filled in already" in capsys.readouterr().err
    assert (tmp_path / "runsheet.csv").read_bytes() == before


def test_without_endpoint_or_lab_the_remedy_is_named(tmp_path, monkeypatch, capsys):
    monkeypatch.chdir(tmp_path)
    assert answer(["runsheet", "--lab", "Invented shed"]) == 1
    assert "No endpoint is known" in capsys.readouterr().err
    assert answer(["runsheet", "--endpoint", "t_solid", "--json"]) == 1
    assert "No lab is known" in json.loads(capsys.readouterr().out)["error"]


def test_the_plan_of_the_register_gives_the_start_temperatures(register, tmp_path):
    assert answer(["seal", "winter", "--pair", "70", "30"]) == 0
    sheet = mf.run_sheet(mf.open_register(register), seed=1)
    assert sheet.starts_c == (70.0, 30.0)
    assert sheet.to_frame()["arm"].value_counts().to_dict() == {"aim 70 °C": 15, "aim 30 °C": 15}


def sheet_of(vessels=6, **more):
    return draw_run_sheet(
        (80, 50, 20), vessels=vessels, batches=4, endpoint="t_threshold", seed=2,
        lab="Invented shed", sham=True, **more,
    )  # fmt: skip


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("vessels", [6, 40])
def test_no_column_is_cut_off_on_either_paper(paper, vessels, tmp_path):
    """Every run and heading stands inside the page's margins, also on a long sheet."""
    names = [f"shelf {k} at the very back of the chest" for k in range(vessels)]
    file = tmp_path / "sheet.pdf"
    file.write_bytes(render_run_sheet(sheet_of(vessels, positions=names), paper=paper))
    found, inside = [], True
    for page in PdfReader(file).pages:
        box = page.mediabox
        assert float(box.width) == pytest.approx(SIZES[paper][0], abs=HALF_POINT)
        assert float(box.height) == pytest.approx(SIZES[paper][1], abs=HALF_POINT)

        def look(text, cm, tm, _font, size, box=box):
            nonlocal inside
            found.append(text)
            if text.strip():
                x = cm[0] * tm[4] + cm[2] * tm[5] + cm[4]
                y = cm[1] * tm[4] + cm[3] * tm[5] + cm[5]
                inside &= 30 <= x <= float(box.width) - 30
                inside &= 15 <= y <= float(box.height) - 30

        page.extract_text(visitor_text=look)
    text = "".join(found).replace("\n", " ")
    assert inside
    for _, heading, _ in COLUMNS:
        assert heading in text
    for run in sheet_of(vessels, positions=names).to_frame()["run_id"]:
        assert run in text
    assert "Down to, °C" in text and "Scalds" in text and "supervision" in text


def test_the_same_sheet_gives_the_same_bytes():
    assert render_run_sheet(sheet_of()) == render_run_sheet(sheet_of())


@pytest.mark.parametrize(
    ("more", "message"),
    [
        ({"starts_c": (80, 120)}, "Start temperature 120 °C is not water's"),
        ({"starts_c": (80, 80)}, "Give at least two, each once"),
        ({"vessels": 1}, "1 vessels cannot hold 2 start temperatures"),
        ({"positions": ("top", "top")}, "1 places are named for 6 vessels"),
        ({"lid": "cork"}, "lid is 'cork'. Choose one of open, loose, sealed, oil_film"),
        ({"endpoint": "solid"}, "endpoint is 'solid'"),
    ],
)
def test_what_cannot_be_drawn_is_refused(more, message):
    given = {"starts_c": (80, 20), "vessels": 6, "batches": 2, "endpoint": "t_solid", "seed": 1}
    with pytest.raises(InputError) as refused:
        draw_run_sheet(**{**given, **more})
    assert message in str(refused.value)


def test_cautions_fit_the_gear():
    names = {c.name for c in sheet_of(coldest_sink_c=-78.0, sink_type="outdoor").cautions}
    assert {"Dry ice and liquid nitrogen", "Outdoors", "Scalds", "Glass"} <= names
    calm = draw_run_sheet(
        (30, 20), vessels=2, batches=1, endpoint="t_zero", seed=1, vessel="steel cup",
        sink_type="bath", lid="open",
    )  # fmt: skip
    assert [c.name for c in calm.cautions] == ["Electricity", "Substances"]
