"""The whole job on the invented network, and the committed report as a newcomer sees it."""

import json
import math
from pathlib import Path

import pytest
from scipy import stats

import metafreeze as mf
from metafreeze.cli.main import answer
from metafreeze.models.heavy_tails import heavy_tail_factor

COMMITTED = Path(mf.__file__).parent.parent / "reports" / "demo"
# Across library versions results agree to this, relative or absolute.
AGREEMENT = 1e-8
UNALIKE = {"version"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    folder = tmp_path_factory.mktemp("demo") / "report"
    assert answer(["demo", "--out", str(folder)]) == 0
    return folder


def numbers(value, path=""):
    """Give every leaf of the results with its path."""
    if isinstance(value, dict):
        for key, item in value.items():
            if key not in UNALIKE:
                yield from numbers(item, f"{path}/{key}")
    elif isinstance(value, list):
        for place, item in enumerate(value):
            yield from numbers(item, f"{path}[{place}]")
    else:
        yield path, value


def test_it_tells_the_answer_before_anything_else(demo):
    html = (demo / "report.html").read_text("utf-8")
    verdict, ladder = html.index("Only in appearance"), html.index("ladder-figure")
    assert html.index("Invented data") < verdict < ladder


def test_every_number_on_the_page_has_a_result(demo):
    from metafreeze.cli.demo_sheets import demo_sheets
    from metafreeze.reporting.publish import report
    from metafreeze.reporting.tracing import numbers_without_result

    register = mf.create_register(demo.parent / "register", primary_endpoint="t_solid")
    register.add(demo_sheets())
    published = report(register, out=demo.parent / "again")
    tables = {
        path.stem: __import__("pandas").read_parquet(path)
        for path in published.files
        if path.suffix == ".parquet"
    }
    assert numbers_without_result(published.content, published.results, tables) == ()


def test_the_committed_report_is_what_the_demo_writes(demo):
    fresh = dict(numbers(json.loads((demo / "results.json").read_text("utf-8"))))
    kept = dict(numbers(json.loads((COMMITTED / "results.json").read_text("utf-8"))))
    assert fresh.keys() == kept.keys(), "renew it: metafreeze demo"
    for path, value in fresh.items():
        if isinstance(value, float) and isinstance(kept[path], float):
            assert math.isclose(value, kept[path], rel_tol=AGREEMENT, abs_tol=AGREEMENT), path
        else:
            assert value == kept[path], path


def test_the_report_is_light(demo):
    assert (demo / "report.html").stat().st_size <= 3_000_000


def test_the_wider_range_for_a_new_lab_stands_around_the_usual_one(demo):
    pool = json.loads((demo / "results.json").read_text("utf-8"))["pool"]
    low, high = pool["new_lab_low"], pool["new_lab_high"]
    wide_low, wide_high = pool["new_lab_wide_low"], pool["new_lab_wide_high"]
    assert (wide_low + wide_high) / 2 == pytest.approx((low + high) / 2, abs=1e-9)
    usual = stats.t.isf(0.025, pool["labs"] - 2)
    by = heavy_tail_factor(pool["labs"]) / usual
    assert 1.1 < by < 1.4
    assert (wide_high - wide_low) / (high - low) == pytest.approx(by, rel=1e-9)
