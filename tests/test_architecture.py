"""Imports go one way: the library never knows processing, floors import downwards, nothing goes in a circle."""

import ast
import importlib
import inspect
import re
import subprocess
import sys
import tomllib
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]

LIBRARY_FLOORS = {
    "arrays": 0, "errors": 0, "constants": 0, "toml_table": 0, "mower": 1, "prices": 1,
    "labour": 2, "geometry": 2, "ground": 3, "error_model": 4, "realisations": 5, "lawn": 5, "wire": 5,
    "record": 6, "dock": 5, "mowing": 5, "trust": 6,
}  # fmt: skip


ROOM_FLOORS = {
    "model": 0, "files": 1, "derived": 2, "reading": 2, "measured": 3, "steps": 4, "draws": 5, "edited": 5, "fleet": 5,
    "planning": 6, "whole_rasters": 6, "as_built": 6, "compare": 6, "deliver": 6, "gathering": 6,
    "services": 6, "notebook": 7, "cli": 7,
}  # fmt: skip
"""Rooms of `processing/`: each imports from lower floors and within itself only."""

WINGS = ("whole_rasters", "as_built", "compare", "deliver", "gathering", "services")
"""Rooms that nothing but the command line and notebooks see."""

LAZY_DOOR = "lawngis"
"""The one module of the library that knows of `processing`, of one room: it is loaded when somebody asks for it."""


MODULE_LINES_MAX = 450
"""Longest module of `processing/` that is still read in one sitting."""


def module_name(path: Path) -> str:
    parts = list(path.relative_to(ROOT).with_suffix("").parts)
    if parts[0] == "processing":
        parts = ["lawngis", *parts]
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


MODULES = {module_name(path): path for folder in ("lawngis", "processing") for path in (ROOT / folder).rglob("*.py")}


def imported(name: str, path: Path, *, lazy: bool) -> set[str]:
    """Names of our modules that a module imports; with lazy also those imported inside functions."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    nodes = ast.walk(tree) if lazy else _module_level(tree)
    package = name.split(".") if path.name == "__init__.py" else name.split(".")[:-1]
    found: set[str] = set()
    for node in nodes:
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = (
                ".".join([*package[: len(package) - node.level + 1], *([node.module] if node.module else [])])
                if node.level
                else node.module
            )
            found |= {base} | {f"{base}.{alias.name}" for alias in node.names}
    return {module for module in found if module in MODULES and module != name}


def _module_level(tree: ast.Module) -> list[ast.stmt]:
    return [node for node in tree.body if isinstance(node, ast.Import | ast.ImportFrom)]


IMPORTS = {name: imported(name, path, lazy=True) for name, path in MODULES.items()}


def floor(module: str) -> int:
    parts = module.split(".")
    return LIBRARY_FLOORS[parts[1]] if len(parts) > 1 else -1


def library() -> list[str]:
    return [name for name in MODULES if not name.startswith("lawngis.processing") and name != LAZY_DOOR]


@pytest.mark.parametrize("module", library())
def test_library_never_imports_processing(module):
    assert not [name for name in IMPORTS[module] if name.startswith("lawngis.processing")]


def test_the_lazy_door_opens_one_room_and_loads_nothing():
    rooms_known = {room(name) for name in IMPORTS[LAZY_DOOR] if name.startswith("lawngis.processing.")}
    assert rooms_known == {"notebook"}
    assert imported(LAZY_DOOR, MODULES[LAZY_DOOR], lazy=False) == set()
    code = "import sys; before = set(sys.modules); import lawngis; print(sorted(set(sys.modules) - before))"
    loaded = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True).stdout
    assert ast.literal_eval(loaded) == ["lawngis"]


def test_the_lazy_door_names_what_it_opens():
    import lawngis

    tree = ast.parse(MODULES[LAZY_DOOR].read_text(encoding="utf-8"))
    for_type_checkers = {
        alias.asname
        for node in ast.walk(tree)
        if isinstance(node, ast.ImportFrom) and node.level
        for alias in node.names
    }
    assert for_type_checkers == set(lawngis.__all__) - {"__version__"} == set(lawngis._MODULE_OF)
    assert set(lawngis.__all__) <= set(dir(lawngis))
    for name in lawngis.__all__:
        assert getattr(lawngis, name)
    with pytest.raises(AttributeError, match="no attribute 'open_sight'"):
        lawngis.open_sight  # noqa: B018


@pytest.mark.parametrize("module", library())
def test_library_imports_downwards_or_within_its_room(module):
    own = module.split(".")[1:2]
    for other in IMPORTS[module]:
        assert other == "lawngis" or other.split(".")[1:2] == own or floor(other) < floor(module), other


def rooms() -> list[str]:
    return [name for name in MODULES if name.startswith("lawngis.processing.")]


def room(module: str) -> str:
    return module.split(".")[2]


def test_every_package_travels():
    """An editable install finds what the list of packages leaves out; a wheel lacks it."""
    listed = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["setuptools"]["packages"]
    folders = {path.parent for path in MODULES.values()}
    packages = {".".join((*top, *folder.relative_to(ROOT).parts)) for folder in folders
                for top in [("lawngis",) if folder.relative_to(ROOT).parts[0] == "processing" else ()]}  # fmt: skip
    assert packages | {"lawngis.sample_parcels"} == set(listed)


def test_every_room_has_a_floor_and_says_what_it_is_for():
    assert {room(module) for module in rooms()} == set(ROOM_FLOORS)
    for name in ROOM_FLOORS:
        door = ast.parse(MODULES[f"lawngis.processing.{name}"].read_text(encoding="utf-8"))
        assert ast.get_docstring(door), name


DOORS = [name for name in ROOM_FLOORS if name != "model"]  # the door for plug-ins has tests of its own


def named_at_the_door(name: str) -> list[tuple[str, str]]:
    """Modules of a room that its door's docstring names as ``module`` or ``module.name``; the name may be empty."""
    door = ast.get_docstring(ast.parse(MODULES[f"lawngis.processing.{name}"].read_text(encoding="utf-8"))) or ""
    words = re.findall(r"``([a-z_]+)(?:\.(\w+))?``", door)
    return [(f"lawngis.processing.{name}.{module}", inside) for module, inside in words]


def users_outside(module: str, name: str = "") -> list[str]:
    """Modules of other rooms (of its own too for a package) that use a name of a module; and the console script."""
    package = name and MODULES[module].name == "__init__.py"
    home = f"{module}." if package else f"lawngis.processing.{room(module)}."
    users = [user for user in [LAZY_DOOR, *rooms()] if module in IMPORTS[user] and not user.startswith(home)]
    project = (ROOT / "pyproject.toml").read_text(encoding="utf-8")
    return [
        *(["script"] if f'"{module}:{name or "main"}"' in project else []),
        *(user for user in users if re.search(rf"\b{name}\b", MODULES[user].read_text(encoding="utf-8"))),
    ]


@pytest.mark.parametrize("name", DOORS)
def test_a_door_names_the_modules_that_other_rooms_use(name):
    """A package inside a room counts as one module, which has a door of its own: its ``__all__``."""
    inside = {".".join(module.split(".")[:4]) for module in rooms() if module.count(".") > 2 and room(module) == name}
    assert {module for module, _ in named_at_the_door(name)} == {module for module in inside if users_outside(module)}


@pytest.mark.parametrize(
    ("module", "name"),
    [pytest.param(*named, id=".".join(named)) for door in DOORS for named in named_at_the_door(door)],
)
def test_what_a_door_names_is_used_and_documented_with_units(module, name):
    thing = importlib.import_module(module)
    assert thing.__doc__
    for each in [name] if name else getattr(thing, "__all__", ()):
        assert users_outside(module, each), f"{each} is used by no other room"
        assert documented(module, each), each
        assert without_unit(getattr(thing, each)) == [], each


DOOR_FOR_PLUG_INS = importlib.import_module("lawngis.processing.model")


@pytest.mark.parametrize("name", dir(DOOR_FOR_PLUG_INS))
def test_what_the_door_for_plug_ins_names_is_documented_with_units(name):
    thing = getattr(DOOR_FOR_PLUG_INS, name)
    assert documented(thing.__module__, name)
    assert without_unit(thing) == []


def test_a_plug_in_needs_nothing_of_processing_but_what_is_at_its_door():
    example = ast.parse((ROOT / "tests/plugin_example/leaf_fall.py").read_text(encoding="utf-8"))
    names = {
        (node.module, alias.name)
        for node in ast.walk(example)
        if isinstance(node, ast.ImportFrom)
        for alias in node.names
    }
    ours = {(module, name) for module, name in names if module and module.startswith("lawngis.processing")}
    assert ours and ours <= {("lawngis.processing.model", name) for name in dir(DOOR_FOR_PLUG_INS)}


def documented(module: str, name: str) -> bool:
    """Whether a function or class has a docstring, or a constant a text below it, where it is defined."""
    file = MODULES[module]
    for path in file.parent.glob("*.py") if file.name == "__init__.py" else [file]:
        body = ast.parse(path.read_text(encoding="utf-8")).body
        for node, after in zip(body, [*body[1:], None], strict=True):
            if isinstance(node, ast.FunctionDef | ast.ClassDef) and node.name == name:
                return bool(ast.get_docstring(node))
            targets = node.targets if isinstance(node, ast.Assign) else [getattr(node, "target", None)]
            if any(isinstance(target, ast.Name) and target.id == name for target in targets):
                return isinstance(after, ast.Expr) and isinstance(after.value, ast.Constant)
    return False


UNIT = re.compile(r"_(m|m2|mm|mm2|h|s|seconds|ut|ohm|deg|percent|share|a|mb|c)$")


def without_unit(thing: object) -> list[str]:
    """Arguments and fields of real numbers whose unit is neither in the name nor in brackets in the docstring."""
    if not inspect.isfunction(thing) and not inspect.isclass(thing):
        return []
    text = inspect.getdoc(thing) or ""
    return [
        argument.name
        for argument in inspect.signature(thing).parameters.values()
        if re.match(r"float|FloatArray|NDArray\[np.float", str(argument.annotation))
        if not UNIT.search(argument.name) and not re.search(rf"\b{argument.name}\b[^\[]*\[", text)
    ]


def test_nothing_lies_outside_the_rooms():
    assert [path.name for path in (ROOT / "processing").iterdir() if path.is_file()] == ["__init__.py"]


@pytest.mark.parametrize("module", rooms())
def test_a_module_can_be_read_in_one_sitting(module):
    assert len(MODULES[module].read_text(encoding="utf-8").splitlines()) <= MODULE_LINES_MAX


@pytest.mark.parametrize("module", rooms())
def test_processing_imports_downwards_or_within_its_room(module):
    for other in IMPORTS[module]:
        if other.startswith("lawngis.processing."):
            assert room(other) == room(module) or ROOM_FLOORS[room(other)] < ROOM_FLOORS[room(module)], other


@pytest.mark.parametrize("module", rooms())
def test_wings_are_seen_by_the_command_line_and_notebooks_alone(module):
    for other in IMPORTS[module]:
        if other.startswith("lawngis.processing.") and room(other) in WINGS:
            assert room(module) in (room(other), "cli", "notebook"), other


def test_library_opens_no_files_and_knows_no_layers():
    for module in library():
        text = MODULES[module].read_text(encoding="utf-8")
        for word in ("import geopandas", "import rasterio", "import fiona", "import pyogrio", "sqlite3"):
            assert word not in text, f"{module}: {word}"


def test_there_is_no_import_circle():
    packages_off = {
        name: {other for other in others if MODULES[other].name != "__init__.py"} for name, others in IMPORTS.items()
    }
    order = list(TopologicalSorter(packages_off).static_order())  # raises CycleError on a circle
    assert set(order) >= set(packages_off)


def test_only_gpkg_opens_vector_files_and_only_rasters_opens_rasters():
    for name, path in MODULES.items():
        text = path.read_text(encoding="utf-8")
        if not name.startswith("lawngis.processing.files.gpkg"):
            assert "import fiona" not in text and "import pyogrio" not in text, name
        if not name.startswith("lawngis.processing.files.rasters"):
            assert "import rasterio" not in text, name


def test_one_module_asks_the_network():
    asking = [name for name, path in MODULES.items() if "urllib.request" in path.read_text(encoding="utf-8")]
    assert asking == ["lawngis.processing.files.remote"]


@pytest.mark.parametrize("module", [name for name in MODULES if name.startswith("lawngis.processing.steps.")])
def test_steps_open_no_files_and_import_no_other_step(module):
    for other in IMPORTS[module]:
        assert not other.startswith(("lawngis.processing.files", "lawngis.processing.reading"))
        assert not other.startswith("lawngis.processing.steps.")


def test_what_needs_the_extra_for_documents_is_imported_by_nothing_else():
    for name, path in MODULES.items():
        if ".deliver" not in name and ".notebook" not in name:
            assert not [other for other in IMPORTS[name] if other.startswith("lawngis.processing.deliver")], path
