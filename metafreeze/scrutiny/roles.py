"""What a covariate may be used for: its role decides, not its correlation."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import pandas as pd

from metafreeze.errors import InputError
from metafreeze.results import RESULT, Result

COLUMNS = ("field", "role", "warning")
ADJUSTABLE = ("design", "measurement")
# Partly caused by how long a run took, and so never a regressor for it.
LOST_BY_THE_END = ("mass_evaporated_g", "water_mass_end_g")


@dataclass(**RESULT)
class CovariateRoles(Result):
    """Covariates that were asked for, each with its role.

    Parameters
    ----------
    fields, roles, warnings : tuple of str
        Field, its role, and what question is answered once it is held fixed; the last is
        empty for a design covariate.
    """

    fields: tuple[str, ...]
    roles: tuple[str, ...]
    warnings: tuple[str, ...]

    def to_frame(self) -> pd.DataFrame:
        """Give one row a covariate."""
        return pd.DataFrame(
            list(zip(self.fields, self.roles, self.warnings, strict=True)), columns=list(COLUMNS)
        )

    def headline(self) -> str:
        """Say how many covariates there are and how many change the question."""
        changed = sum(bool(w) for w in self.warnings)
        return f"{len(self.fields)} covariates, {changed} of them change the question"


def judge_covariates(
    fields: Sequence[str], *, roles: Mapping[str, str], labels: Mapping[str, str]
) -> CovariateRoles:
    """Say which covariates may be adjusted for, and what is asked then.

    Parameters
    ----------
    fields : sequence of str
        Covariates that someone wants to adjust for.
    roles, labels : mapping of str to str
        Role and plain name of every field.

    Returns
    -------
    CovariateRoles

    Raises
    ------
    InputError
        A field is unknown, is no covariate, or is mass lost by the end of a run.

    Source
    ------
    Consequences of a treatment are no confounders: Rosenbaum (1984), J. R. Stat. Soc. A
    147:656-666.
    """
    warnings = []
    for field in fields:
        if field not in roles:
            known = ", ".join(name for name, role in roles.items() if role == "design")
            raise InputError(f'There is no field "{field}". Design covariates are: {known}.')
        if field in LOST_BY_THE_END:
            raise InputError(
                f"{field} ({labels[field]}) cannot be adjusted for: mass lost by the end of a "
                "run is partly caused by how long the run took, since slow vessels lose more. "
                "To ask about evaporation, cover some vessels and leave others open."
            )
        if roles[field] == "mediator":
            warnings.append(
                f"{labels[field]} is a consequence of starting hot. With it held fixed the answer "
                f"is to another question: would the hotter one still finish first if "
                f"{labels[field]} were the same? It depends on the model, and is best asked by "
                "design."
            )
        elif roles[field] in ADJUSTABLE:
            warnings.append("")
        else:
            raise InputError(
                f"{field} ({labels[field]}) is {roles[field]}, no covariate. Name a design field "
                "such as lid, base_support or position_id."
            )
    return CovariateRoles(
        fields=tuple(fields),
        roles=tuple(roles[field] for field in fields),
        warnings=tuple(warnings),
    )
