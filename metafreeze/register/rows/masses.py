"""Water masses: from volumes by density, and what was lost from two weighings or a share."""

from __future__ import annotations

import re

import numpy as np
import numpy.typing as npt

from metafreeze.register.meaning.named import NamedColumn, Slot
from metafreeze.register.meaning.values import cell_text
from metafreeze.register.rows.drafts import Draft
from metafreeze.register.rows.fields import read_quantity
from metafreeze.register.rows.readings import Reading
from metafreeze.register.schema import FIELD
from metafreeze.water import water_density_kg_m3

FloatArray = npt.NDArray[np.float64]

G_PER_ML_PER_KG_PER_M3 = 1e-3


def read_masses(reading: Reading, slot: Slot, draft: Draft) -> None:
    """Read volumes, radii and shares, and derive the masses and diameters that follow.

    Parameters
    ----------
    reading : Reading
        The table.
    slot : Slot
        The slot at hand.
    draft : Draft
        Its rows, start temperatures read; receives the masses.
    """
    for column in reading.columns_for(slot, "water_mass_start_g")[:1]:
        _note_ounces(column, reading, draft)
    for column in reading.columns_for(slot, "radius")[:1]:
        if "inner_diameter_mm" not in draft.columns:
            _diameter_from_radius(column, reading, draft)
    for column in reading.columns_for(slot, "volume")[:1]:
        if "water_mass_start_g" not in draft.columns:
            _mass_from_volume(column, reading, draft)
    if "mass_evaporated_g" in draft.columns or "water_mass_start_g" not in draft.columns:
        for column in reading.columns_for(slot, "evaporated_share")[:1]:
            _mass_from_share(column, reading, draft)
        return
    lost = draft.numbers("water_mass_start_g") - draft.numbers("water_mass_end_g")
    known = ~np.isnan(lost) & (lost >= 0)
    if known.any():
        draft.columns["mass_evaporated_g"] = np.where(known, lost, np.nan)
        draft.note_derived("mass_evaporated_g: water at start minus water at end", known)
        return
    for column in reading.columns_for(slot, "evaporated_share")[:1]:
        _mass_from_share(column, reading, draft)


def _note_ounces(column: NamedColumn, reading: Reading, draft: Draft) -> None:
    """Say that ounces of water are read as weight where the heading says neither."""
    if column.unit is None or column.unit.name != "oz":
        return
    if re.search("mass|weigh", column.name, re.I):
        return
    reading.findings.add(
        "note",
        "ounce-of-weight",
        f"“{column.name}” is read in ounces of weight (28.35 g)",
        remedy=f'Otherwise answer with --map "{column.name}=water volume"',
        table=draft.table,
        column=column.column,
    )


def _diameter_from_radius(column: NamedColumn, reading: Reading, draft: Draft) -> None:
    radius = read_quantity(column, draft, reading.dialect, reading.findings).values
    draft.columns["inner_diameter_mm"] = 2 * radius
    draft.note_derived("inner_diameter_mm: twice the radius", ~np.isnan(radius))


def _mass_from_share(column: NamedColumn, reading: Reading, draft: Draft) -> None:
    if "mass_evaporated_g" in draft.columns:
        return
    share = read_quantity(column, draft, reading.dialect, reading.findings).values
    lost = share * draft.numbers("water_mass_start_g")
    draft.columns["mass_evaporated_g"] = lost
    draft.note_derived("mass_evaporated_g: share evaporated of water at start", ~np.isnan(lost))
    if np.isnan(lost[~np.isnan(share)]).any():
        reading.findings.add(
            "note",
            "share-without-mass",
            f"“{column.name}” is a share, and without the water at start it gives no mass",
            remedy="Add the water at start, such as a column “water (g)”",
            table=draft.table,
            column=column.column,
        )


def _mass_from_volume(column: NamedColumn, reading: Reading, draft: Draft) -> None:
    findings = reading.findings
    if column.unit is not None and column.unit.name == "US fl oz":
        findings.add(
            "note",
            "fluid-ounce",
            f"“{column.name}” is read in US fluid ounces (29.57 mL)",
            remedy=f'Otherwise answer with --unit "{column.name}=imperial fl oz"',
            table=draft.table,
            column=column.column,
        )
    volume_ml = read_quantity(column, draft, reading.dialect, findings).values
    start_temp_c = draft.numbers("start_temp_c")
    known = ~np.isnan(start_temp_c)
    density = np.full(draft.n, np.nan)
    density[known] = water_density_kg_m3(start_temp_c[known]) * G_PER_ML_PER_KG_PER_M3
    mass = volume_ml * density
    field = FIELD["water_mass_start_g"]
    wrong = (mass < field.low) | (mass > field.high)
    for at in np.flatnonzero(wrong):
        findings.add(
            "error",
            "out-of-range",
            f"Water volume “{cell_text(column.column, at)}” gives {mass[at]:.3g} g, outside "
            f"{field.low:g} to {field.high:g} g",
            remedy="Enter the volume of one vessel, or leave the cell empty",
            table=draft.table,
            column=column.column,
            at=int(at),
            value=cell_text(column.column, at),
        )
    draft.columns["water_mass_start_g"] = np.where(wrong, np.nan, mass)
    draft.note_derived(
        "water_mass_start_g: from the volume by the density of water at the start temperature",
        ~np.isnan(mass),
    )
    if (~np.isnan(volume_ml) & ~known).any():
        findings.add(
            "note",
            "volume-without-temperature",
            f"“{column.name}” cannot be turned into a mass where the start temperature is missing",
            table=draft.table,
            column=column.column,
        )
