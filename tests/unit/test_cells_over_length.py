"""Cells taken evenly over a column are the same, however the column is cut into chunks."""

import numpy as np
import pyarrow as pa
import pytest

from metafreeze.register.files.sheets import cells_over_length


@pytest.mark.parametrize("cuts", [(), (3,), (0, 5, 5, 9), (1, 2, 3, 4, 5, 6, 7, 8, 9), (10,)])
@pytest.mark.parametrize("most", [1, 2, 4, 7, 10, 300])
def test_chunks_do_not_matter(cuts, most):
    cells = [f"c{k}" if k != 4 else None for k in range(10)]
    parts = [
        pa.array(cells[a:b], pa.string()) for a, b in zip((0, *cuts), (*cuts, 10), strict=True)
    ]
    taken = cells_over_length(pa.chunked_array(parts, type=pa.string()), most).to_pylist()
    assert taken == cells_over_length(pa.array(cells), most).to_pylist()
    assert taken == [cells[int(k)] for k in np.linspace(0, 9, min(most, 10))]


def test_no_cells_give_none():
    assert cells_over_length(pa.chunked_array([], type=pa.string()), 5).to_pylist() == []
    assert cells_over_length(pa.array([], pa.string()), 5).to_pylist() == []
