"""What the server is told: made of the descriptions of processes and the declared layers of a plan."""

from __future__ import annotations

from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pyproj

from ...files.gpkg import layer_overview
from ...model.layers import PLAN_LAYERS
from ..plugin.command_line import GEOPACKAGE

LOCAL = ("workers", "scheduler", "from", "discard_edits", "resume", "parcel_seconds", "worker_mb", "rasters", "log")
"""Inputs that are about this machine, or about what is on it: no request has them."""

PAGE_MAX = 10_000
"""Most features of one answer."""


@dataclass(frozen=True)
class Place:
    """Where it is served, and where its files are.

    Parameters
    ----------
    host, port
        What it listens to.
    url
        By which it is called from outside.
    work
        Its own folder.
    allow_remote
        Whether files may come by reference.
    """

    host: str
    port: int
    url: str
    work: Path
    allow_remote: bool = False


def served(described: Mapping[str, Any], *, allow_remote: bool) -> dict[str, Any]:
    """Return the description of a process as a request may use it: nothing of this machine, and one output."""
    said = deepcopy(dict(described))
    said["inputs"] = {name: _by_value(one, allow_remote) for name, one in said["inputs"].items() if name not in LOCAL}
    said["outputs"] = {"out": said["outputs"]["out"]}
    if said["id"] == "plan":
        said["outputs"]["out"]["schema"]["contentMediaType"] = GEOPACKAGE
    return said


def _by_value(said: dict[str, Any], allow_remote: bool) -> dict[str, Any]:
    """Return an input without the form by reference, unless that is allowed."""
    kinds = said["schema"].get("oneOf", ())
    if not allow_remote and any("href" in kind.get("properties", ()) for kind in kinds):
        said["schema"] = kinds[0]
    return said


def configuration(place: Place, descriptions: Path, processes: list[str], plan: Path | None) -> dict[str, Any]:
    """Return the configuration of the server.

    Parameters
    ----------
    place
        Where it is served.
    descriptions
        File with the descriptions of processes by id.
    processes
        Their ids.
    plan
        File of the plan whose layers are served.
    """
    package = __name__.rpartition(".")[0]
    processor = {
        "name": f"{package}.processor.CommandProcessor",
        "descriptions": str(descriptions),
        "work": str(place.work),
        "allow_remote": place.allow_remote,
    }
    resources: dict[str, Any] = {
        name: {"type": "process", "processor": {**processor, "process": name}} for name in processes
    }
    collections = {} if plan is None else _collections(plan, package)
    return {
        "server": {
            "bind": {"host": place.host, "port": place.port},
            "url": place.url,
            "mimetype": "application/json; charset=UTF-8",
            "encoding": "utf-8",
            "language": "en",
            "gzip": False,
            "pretty_print": True,
            "limits": {"default_items": 100, "max_items": PAGE_MAX, "on_exceed": "throttle"},
            "map": {"url": "", "attribution": ""},  # the template shows none: a page calls no other machine
            "templates": {"path": str(Path(__file__).parent / "templates")},
            "manager": {
                "name": f"{package}.jobs.JobManager",
                "connection": str(place.work / "jobs.json"),
                "output_dir": str(place.work),
                "all_processes": resources,  # among the resources layers take the names of steps
            },
        },
        "logging": {"level": "ERROR"},
        "metadata": _metadata(place),
        "resources": resources | collections,
    }


def _metadata(place: Place) -> dict[str, Any]:
    return {
        "identification": {
            "title": "lawngis",
            "description": "Plans wire-guided robotic lawnmower installations from maps and elevation data.",
            "keywords": ["lawn", "boundary wire", "slope"],
            "keywords_type": "theme",
            "terms_of_service": "",
            "url": place.url,
        },
        "license": {"name": "", "url": ""},
        "provider": {"name": "whoever runs this server", "url": place.url},
        "contact": {"name": "", "url": place.url},
    }


def _collections(plan: Path, package: str) -> dict[str, Any]:
    """Return the layers of a plan that hold anything as collections."""
    collections: dict[str, Any] = {}
    for info in layer_overview(plan):
        spec = PLAN_LAYERS.get(info.name)
        if spec is None or not info.feature_count:
            continue
        bounds = [-180.0, -90.0, 180.0, 90.0]
        if info.bounds is not None and info.crs is not None:
            to_degrees = pyproj.Transformer.from_crs(info.crs, "OGC:CRS84", always_xy=True)
            bounds = list(to_degrees.transform_bounds(*info.bounds))
        collections[spec.name] = {
            "type": "collection",
            "title": spec.title,
            "description": spec.description,
            "keywords": ["lawngis", spec.name],
            "links": [],
            "extents": {"spatial": {"bbox": bounds, "crs": "http://www.opengis.net/def/crs/OGC/1.3/CRS84"}},
            "providers": [
                {
                    "type": "feature",
                    "name": f"{package}.features.PlanLayer",
                    "data": str(plan),
                    "layer": spec.name,
                    "id_field": spec.key or "fid",
                }
            ],
        }
    return collections
