"""Pool freezing-time trials and test whether water that starts hotter freezes sooner.

Names are loaded when first used, so that the command line starts at once.
"""

from __future__ import annotations

from importlib import import_module
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from metafreeze.errors import (
        Fault,
        InputError,
        Location,
        MetafreezeError,
        NotConvergedError,
        NotEstimableError,
        RegisterError,
        UsageError,
    )

try:
    __version__ = version("metafreeze")
except PackageNotFoundError:  # a bare source tree that was never installed
    __version__ = "0+source"

# Public name -> module that defines it. `tests/house` compares this with `__all__`.
_HOMES: dict[str, str] = {
    "Fault": "metafreeze.errors",
    "InputError": "metafreeze.errors",
    "Location": "metafreeze.errors",
    "MetafreezeError": "metafreeze.errors",
    "NotConvergedError": "metafreeze.errors",
    "NotEstimableError": "metafreeze.errors",
    "RegisterError": "metafreeze.errors",
    "UsageError": "metafreeze.errors",
}

__all__ = [
    "Fault",
    "InputError",
    "Location",
    "MetafreezeError",
    "NotConvergedError",
    "NotEstimableError",
    "RegisterError",
    "UsageError",
    "__version__",
]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    raise AttributeError(f"module 'metafreeze' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
