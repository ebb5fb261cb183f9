"""What a register says about itself: title, endpoint, lab and plan, in ``register.toml``.

The journal commits a change of settings together with the entry that caused it; the
file is written afterwards, for people and for other programs. It names the journal line
up to which it stands (``as_of``). Where a writer died in between, the later journal
lines are laid over the file, so nothing is lost and nothing shows by half. What a person
changed in the file by hand is kept.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from metafreeze.errors import Fault, InputError, Location, RegisterError
from metafreeze.options import Endpoint, choices, require_choice
from metafreeze.register.folder.disk import write_whole
from metafreeze.register.folder.journal import Line
from metafreeze.register.schema import SCHEMA_VERSION

SETTINGS_NAME = "register.toml"
SETTINGS_FORMAT = 1

_TEXTS = ("title", "primary_endpoint", "lab")

_HEAD = (
    "# A register of freezing-time trials.\n"
    "# Title, lab and plan may be edited here; metafreeze keeps them.\n\n"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Settings:
    """Title, endpoint, lab and plan.

    Parameters
    ----------
    title : str
        Shown on the report.
    primary_endpoint : str
        The endpoint that gets the verdict; empty until it is answered.
    lab : str
        Lab of sheets that name none; empty until it is answered.
    plan : mapping
        What was fixed before the data: TOML values under names of the plan's own.
    as_of : int
        Number of the journal line up to which these settings stand.
    """

    title: str = ""
    primary_endpoint: str = ""
    lab: str = ""
    plan: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))
    as_of: int = -1

    def changed_by(self, lines: Iterable[Line]) -> Settings:
        """Lay the settings of later journal lines over these."""
        settings = self
        for line in lines:
            if line.seq > settings.as_of and "settings" in line.body:
                settings = replace(settings, as_of=line.seq, **line.body["settings"])
        return settings


def require_settings(*, title: str, primary_endpoint: str, lab: str) -> dict[str, str]:
    """Check the settings that a caller gave and drop the empty ones.

    Parameters
    ----------
    title, primary_endpoint, lab : str
        As in `Settings`.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        The endpoint is none of the choices.
    """
    if primary_endpoint:
        require_choice(primary_endpoint, Endpoint, name="primary_endpoint")
    given = {"title": title, "primary_endpoint": primary_endpoint, "lab": lab.strip()}
    return {name: value for name, value in given.items() if value}


def require_plan(plan: Mapping[str, Any]) -> dict[str, Any]:
    """Copy a plan into plain values that TOML can hold.

    Parameters
    ----------
    plan : mapping
        Names to texts, numbers, booleans, and lists or tables of them.

    Returns
    -------
    dict

    Raises
    ------
    InputError
        A value is of another kind; the message names it.
    """
    return {_require_name(name): _plain(value, str(name)) for name, value in plan.items()}


def read_settings(folder: Path) -> tuple[Settings, tuple[Fault, ...]]:
    """Read ``register.toml``.

    Parameters
    ----------
    folder : Path
        The register.

    Returns
    -------
    settings : Settings
        Empty, to be filled from the journal, where the file cannot be read.
    faults : tuple of Fault
        Why it could not.

    Raises
    ------
    RegisterError
        The file was written by a newer version, or holds an endpoint that is none.
    """
    try:
        content = tomllib.loads((folder / SETTINGS_NAME).read_text("utf-8"))
    except FileNotFoundError:
        return Settings(), (_unreadable("is gone", remedy="The next entry writes it again"),)
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as wrong:
        return Settings(), (_unreadable(f"is not valid TOML ({wrong})"),)
    for name, known in (("format", SETTINGS_FORMAT), ("schema", SCHEMA_VERSION)):
        has = content.get(name, 1)
        if not isinstance(has, int) or has > known:
            raise RegisterError(
                f"{SETTINGS_NAME} has {name} {has!r}; this version of metafreeze knows {name} "
                f"{known}. Update metafreeze and open the register again."
            )
    wrong_kind = [name for name in _TEXTS if not isinstance(content.get(name, ""), str)]
    if not isinstance(content.get("plan", {}), dict):
        wrong_kind.append("plan")
    if not isinstance(content.get("as_of", -1), int):
        wrong_kind.append("as_of")
    if wrong_kind:
        return Settings(), (_unreadable(f"holds {wrong_kind[0]} of the wrong kind"),)
    endpoint = content.get("primary_endpoint", "")
    if endpoint and endpoint not in choices(Endpoint):
        raise RegisterError(
            f'{SETTINGS_NAME} has primary_endpoint "{endpoint}". '
            f"Write one of {', '.join(choices(Endpoint))}."
        )
    settings = Settings(
        title=content.get("title", ""),
        primary_endpoint=endpoint,
        lab=content.get("lab", ""),
        plan=MappingProxyType(content.get("plan", {})),
        as_of=content.get("as_of", -1),
    )
    return settings, ()


def write_settings(folder: Path, settings: Settings) -> None:
    """Write ``register.toml`` whole.

    Parameters
    ----------
    folder : Path
        The register.
    settings : Settings
        What it shall say.
    """
    import tomli_w

    content: dict[str, Any] = {
        "format": SETTINGS_FORMAT,
        "schema": SCHEMA_VERSION,
        "as_of": settings.as_of,
        "title": settings.title,
        "primary_endpoint": settings.primary_endpoint,
        "lab": settings.lab,
        "plan": dict(settings.plan),
    }
    write_whole(folder / SETTINGS_NAME, (_HEAD + tomli_w.dumps(content)).encode())


def _unreadable(
    state: str, *, remedy: str = "Mend it, or delete it: the next entry writes it again"
) -> Fault:
    return Fault(
        rule="settings",
        message=f"{SETTINGS_NAME} {state}; title, endpoint, lab and plan come from the journal",
        remedy=remedy,
        location=Location(file=SETTINGS_NAME),
    )


def _require_name(name: object) -> str:
    if not isinstance(name, str) or not name:
        raise InputError(f"A name in the plan is {name!r}. Use a text that is not empty.")
    return name


def _plain(value: Any, where: str) -> Any:
    if isinstance(value, Mapping):
        return {_require_name(k): _plain(v, f"{where}.{k}") for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(v, where) for v in value]
    if isinstance(value, (bool, int, str)):
        return value
    if isinstance(value, float) and value == value and abs(value) != float("inf"):
        return value
    raise InputError(
        f"The plan's {where} is {value!r}. Use a text, a finite number, true or false, "
        "or a list or table of them."
    )
