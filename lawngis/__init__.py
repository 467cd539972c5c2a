"""lawngis plans wire-guided robotic lawnmower installations from maps and elevation data.

The package proper is a library of pure functions on geometry and arrays, in metres of a measuring frame.
Files, layers and commands live in :mod:`lawngis.processing`. What a notebook needs of those is named here, and loaded
when it is asked for: this is the one place where the library knows of them.

Examples
--------
>>> import lawngis
>>> site = lawngis.open_site("sample")
>>> plan = site.plan("P03")
>>> plan.zones[["zone_id", "role"]].to_dict("list")
{'zone_id': ['P03-Z1', 'P03-Z2'], 'role': ['home', 'detached']}
>>> plan.zones.attrs["columns"]["role"]
'home zone of its loop, linked with it, or detached'
>>> plan.readiness
'settle'
"""

__version__ = "0.1.0"

__all__ = ["OpenedPlan", "OpenedSite", "SlopeRaster", "__version__", "open_site", "slope"]

_MODULE_OF = {
    "OpenedPlan": "opened_plan",
    "OpenedSite": "opened_site",
    "SlopeRaster": "slope_raster",
    "open_site": "opened_site",
    "slope": "slope_raster",
}

TYPE_CHECKING = False  # what type checkers know by that name; its module takes longer to load than this one
if TYPE_CHECKING:
    from .processing.notebook.opened_plan import OpenedPlan as OpenedPlan
    from .processing.notebook.opened_site import OpenedSite as OpenedSite
    from .processing.notebook.opened_site import open_site as open_site
    from .processing.notebook.slope_raster import SlopeRaster as SlopeRaster
    from .processing.notebook.slope_raster import slope as slope
else:  # type checkers would believe in any name

    def __getattr__(name: str) -> object:
        """Return what is named at this door; loaded when it is asked for."""
        if name not in _MODULE_OF:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
        from importlib import import_module

        return getattr(import_module(f".processing.notebook.{_MODULE_OF[name]}", __name__), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *_MODULE_OF})
