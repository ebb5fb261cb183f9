"""The public names are those that are listed, and every one is documented."""

import ast
import inspect
from pathlib import Path

import metafreeze as mf


def test_every_listed_name_loads():
    for name in mf.__all__:
        assert getattr(mf, name) is not None


def test_homes_and_list_agree():
    assert set(mf._HOMES) | {"__version__"} == set(mf.__all__)


def test_type_checkers_see_the_same_names():
    tree = ast.parse(Path(mf.__file__).read_text("utf-8"))
    typed = {
        alias.name
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("metafreeze.")
        for alias in node.names
    }
    assert typed == set(mf._HOMES)


def test_no_public_name_is_a_folder():
    folders = {p.name for p in Path(mf.__file__).parent.iterdir() if p.is_dir()}
    assert not folders & set(mf.__all__)


def test_every_public_name_has_a_docstring():
    bare = [n for n in mf._HOMES if not inspect.getdoc(getattr(mf, n))]
    assert not bare


def test_public_functions_state_parameters_and_results():
    lacking = []
    for name in mf._HOMES:
        thing = getattr(mf, name)
        if not inspect.isfunction(thing):
            continue
        text = inspect.getdoc(thing) or ""
        missing = [h for h in ("Parameters", "Returns") if f"{h}\n---" not in text]
        if missing:
            lacking.append(f"{name}: {', '.join(missing)}")
    assert not lacking
