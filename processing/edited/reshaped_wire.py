"""Wire that somebody reshaped in a plan: the one layer that is an input of the step that writes it."""

from __future__ import annotations

import re

import numpy as np

from lawngis.wire.loop import Run

from ..model.facts import Fact, ReshapedWire
from ..model.plan import Row
from ..model.site import Site
from .change_record import LayerEdit
from .earlier_plan import EarlierParcel

WIRE_STEP = "wire"
"""Step that takes its own earlier layer as input, where that was reshaped."""

WIRE = "wire_path"
"""That layer."""


def reshaped_only(edit: LayerEdit) -> bool:
    """Return whether an edit reshapes loops of wire and does nothing that would be lost when they are laid anew."""
    return edit.layer == WIRE and bool(edit.geometry) and not (edit.values or edit.new or edit.gone or edit.others)


def reshaped_paths(site: Site, earlier: EarlierParcel) -> tuple[Fact[ReshapedWire], ...]:
    """Return the loops that somebody reshaped, each with the runs that it had, in the frame of the site."""
    names = {f"{site.parcel_id}-{name}" for name in earlier.edit(WIRE).geometry}
    rows = earlier.rows([WIRE, "wire_runs"]) if names else {}
    found = []
    for row in rows.get(WIRE, ()):
        if row["loop_id"] in names:
            own = sorted(
                (run for run in rows.get("wire_runs", ()) if run["loop_id"] == row["loop_id"]), key=lambda r: r["seq"]
            )
            line = site.frame.to_frame([row["geometry"]])[0]
            value = ReshapedWire(line, tuple(_run(site, run) for run in own))
            found.append(Fact(value, WIRE, "", row["loop_id"], line, label=f"the line drawn for {row['loop_id']}"))
    return tuple(found)


def _run(site: Site, row: Row) -> Run:
    xy = np.array(site.frame.to_frame([row["geometry"]])[0].coords)[:, :2]
    island = re.search(r"(\d+)$", row.get("island_id") or "")
    setback_m = None if row["setback_m"] is None else float(row["setback_m"])
    return Run(row["run_kind"], xy, row["edge_class"], setback_m, int(island[1]) - 1 if island else None)
