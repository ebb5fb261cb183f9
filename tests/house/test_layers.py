"""Imports go only to lower layers, also those inside functions."""

import ast
from pathlib import Path

import metafreeze

ROOT = Path(metafreeze.__file__).parent

LAYER = {
    "errors": 0,
    "options": 0.5,
    "cautions": 0.5,
    "results": 1,
    "water": 1,
    "effects": 2,
    "models": 2,
    "curves": 2,
    "physics": 2,
    "register": 2,
    "scrutiny": 3,
    "planning": 3,
    "analysis": 4,
    "reporting": 5,
    "logbook": 5,
    "cli": 6,
    "__main__": 7,
}

# The face names every home as a string; __version__ is all that others may take from it.
FACE = "__init__"


def imported_parts(path: Path) -> set[str]:
    """List the package's own parts that a file imports, wherever the import stands."""
    parts = set()
    for node in ast.walk(ast.parse(path.read_text("utf-8"))):
        names: list[str] = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level == 0 and node.module:
            names = (
                [f"metafreeze.{alias.name}" for alias in node.names]
                if node.module == "metafreeze"
                else [node.module]
            )
        for name in names:
            pieces = name.split(".")
            if pieces[0] == "metafreeze" and len(pieces) > 1 and pieces[1] != "__version__":
                parts.add(pieces[1])
    return parts


def part_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


def test_every_part_has_a_layer():
    found = {part_of(p) for p in ROOT.rglob("*.py")} - {FACE}
    assert found <= set(LAYER), f"give a layer to {sorted(found - set(LAYER))}"


def test_imports_go_down_and_folders_of_one_layer_ignore_each_other():
    wrong = []
    for path in ROOT.rglob("*.py"):
        own = part_of(path)
        if own == FACE:
            continue
        for other in imported_parts(path):
            if other != own and LAYER[other] >= LAYER[own]:
                wrong.append(f"{path.relative_to(ROOT)} imports {other}")
    assert not wrong, "\n".join(sorted(wrong))


def test_a_relative_import_is_never_used():
    relative = [
        str(path.relative_to(ROOT))
        for path in ROOT.rglob("*.py")
        for node in ast.walk(ast.parse(path.read_text("utf-8")))
        if isinstance(node, ast.ImportFrom) and node.level > 0
    ]
    assert not relative


def test_register_knows_no_statistics_and_models_know_no_files():
    forbidden = {
        "register": {"scipy", "statsmodels", "pingouin", "seaborn", "matplotlib"},
        "models": {"pyarrow", "seaborn", "matplotlib", "pathlib"},
        "effects": {"pyarrow", "seaborn", "matplotlib", "pathlib"},
        "physics": {"pyarrow", "seaborn", "matplotlib", "pathlib"},
        "reporting": {"statsmodels", "scipy", "pingouin"},
    }
    wrong = []
    for path in ROOT.rglob("*.py"):
        banned = forbidden.get(part_of(path), set())
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.module:
                names = [node.module]
            wrong += [
                f"{path.relative_to(ROOT)} imports {n}" for n in names if n.split(".")[0] in banned
            ]
    assert not wrong, "\n".join(sorted(wrong))


# Each shelf of the register and what it may lean on; what stands beside them is free to use all.
SHELVES = ["files", "meaning", "rows", "traces", "folder"]


def test_the_shelves_of_the_register_lean_one_way():
    wrong = []
    for place, shelf in enumerate(SHELVES):
        for path in (ROOT / "register" / shelf).glob("*.py"):
            text = path.read_text("utf-8")
            wrong += [
                f"{shelf}/{path.name} leans on {higher}"
                for higher in SHELVES[place + 1 :]
                if f"metafreeze.register.{higher}" in text
            ]
    assert not wrong, "\n".join(sorted(wrong))
