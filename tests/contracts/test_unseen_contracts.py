"""The result of a fit to times not seen exactly: frame, one line, fragment, read-only, pickle."""

import copy
import html.parser
import pickle

import numpy as np
import pytest

import metafreeze as mf

LOW = [50, 60, 50, 60, 70, 80, 70, 90]
HIGH = [60, 70, 60, 65, 80, 90, 80, np.inf]
X = np.column_stack([np.ones(8), np.repeat([0.0, 1.0], 4)])
COLUMNS = ["estimate", "se", "df", "low", "high", "p"]

RESULTS = {
    "whole": lambda: mf.unseen_times_model(LOW, HIGH, X, names=["<cold>", "hot"]),
    "with studies": lambda: mf.unseen_times_model(LOW, HIGH, X, [1, 1, 2, 2] * 2),
    "nothing": lambda: mf.unseen_times_model([1, 2], [np.inf, np.inf], [[1], [1]]),
    "contrast": lambda: mf.unseen_times_model(LOW, HIGH, X, contrasts=[[1, 1]]),
}


@pytest.fixture(params=list(RESULTS))
def result(request):
    return RESULTS[request.param]()


def test_tables_have_their_columns(result):
    assert result.coefficients.columns.tolist() == COLUMNS
    assert result.contrasts.columns.tolist() == COLUMNS
    assert result.to_frame().columns.tolist() == ["term", *COLUMNS]
    assert result.random_parts.columns.tolist() == [
        "level",
        "term",
        "with_term",
        "sd",
        "correlation",
    ]
    assert all(kind.kind == "f" for kind in result.coefficients.dtypes)
    assert result.covariance.shape == (len(result.coefficients),) * 2


def test_one_line_and_a_table(result):
    assert "\n" not in repr(result)
    assert result.status in repr(result)
    assert len(str(result).splitlines()) == len(result.to_frame()) + 2


def test_the_fragment_is_whole_and_escaped(result):
    class Balance(html.parser.HTMLParser):
        depth = 0

        def handle_starttag(self, tag, attrs):
            self.depth += 1

        def handle_endtag(self, tag):
            self.depth -= 1

    reader = Balance()
    text = result._repr_html_()
    reader.feed(text)
    assert reader.depth == 0
    assert "<cold>" not in text and "<script" not in text


def test_copies_are_equal_and_nothing_can_be_set(result):
    for twin in (pickle.loads(pickle.dumps(result)), copy.deepcopy(result)):
        assert twin.to_frame().equals(result.to_frame())
        assert twin.note == result.note
    with pytest.raises(AttributeError):
        result.criterion = 0.0
