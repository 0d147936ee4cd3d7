"""The order of the rooms, the doors between them, their number, and that no value of `values.csv` lies idle."""

import ast
import re
import sys
from collections import Counter
from pathlib import Path

import pytest

import towerlib
from towerlib.values import table

PACKAGE = Path(towerlib.__file__).parent
ROOMS = [  # from left to right; modules of one group may import from each other
    {"dictionary", "errors", "safe_files", "sentences", "text", "values"},
    {"physics"},
    {"months", "config"},
    {"records"},
    {"route"},
    {"readings"},
    {"condition"},
    {"network", "outages"},
    {"treatments"},
    {"plan"},
    {"changes", "fieldwork"},
    {"portfolio"},
    {"report"},
    {"views"},
    {"assessment"},
    {"runs"},
    {"fleet"},
    {"simulate"},
    {"cli"},
    {"__main__"},
]
PLACE = {room: place for place, group in enumerate(ROOMS) for room in group}
ALLOWED = {  # libraries that only these rooms may know
    "matplotlib": {"report"},
    "bokeh": {"report"},
    "papermill": {"runs"},
    "jinja2": {"report"},
    "xlsxwriter": {"report"},
    "openpyxl": {"records"},
    "dask": {"fleet"},
    "typer": {"cli"},
}


def modules():
    """Every module of the package with its dotted name."""
    for path in sorted(PACKAGE.rglob("*.py")):
        steps = path.relative_to(PACKAGE).with_suffix("").parts
        yield path, [step for step in steps if step != "__init__"]


def imports(path):
    """Dotted names that a module imports, wherever in the file the import stands."""
    for node in _walk_run(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            yield from (name.name for name in node.names)
        elif isinstance(node, ast.ImportFrom):
            for name in node.names:
                full = f"{node.module}.{name.name}"
                # a module taken out of a package needs that module, not what the package gathers
                yield full if is_module(full) else node.module


def _walk_run(node):
    """Every node but those that only a type checker reads."""
    yield node
    for child in ast.iter_child_nodes(node):
        if not (isinstance(child, ast.If) and getattr(child.test, "id", "") == "TYPE_CHECKING"):
            yield from _walk_run(child)


def is_module(name):
    """Whether a dotted name is a module of ours."""
    place = PACKAGE.joinpath(*name.split(".")[1:])
    return name.startswith("towerlib.") and (
        place.with_suffix(".py").exists() or (place / "__init__.py").exists()
    )


def rooms_imported(path):
    """Rooms of ours that a module imports from."""
    steps = [name.split(".") for name in imports(path)]
    return {step[1] for step in steps if step[0] == "towerlib" and len(step) > 1 and step[1] in PLACE}


MODULES = [pytest.param(path, steps, id=".".join(steps) or "towerlib") for path, steps in modules()]


@pytest.mark.parametrize(("path", "steps"), MODULES)
def test_every_module_has_a_room(path, steps):
    assert not steps or steps[0] in PLACE, f"{path.name} has no row in ROOMS"


@pytest.mark.parametrize(("path", "steps"), MODULES)
def test_imports_come_from_the_left(path, steps):
    if not steps:
        assert rooms_imported(path) == set()
        return
    back = {room for room in rooms_imported(path) if PLACE[room] > PLACE[steps[0]]}
    assert not back, f"{'.'.join(steps)} imports from {back}, which lies to its right"


@pytest.mark.parametrize(("path", "steps"), MODULES)
def test_physics_knows_only_numbers(path, steps):
    if steps and steps[0] == "physics":
        assert rooms_imported(path) <= {"physics", "values"}
        libraries = {name.split(".")[0] for name in imports(path)}
        assert libraries <= {"numpy", "scipy", "towerlib", *sys.stdlib_module_names}


@pytest.mark.parametrize(("path", "steps"), MODULES)
def test_libraries_stay_in_their_rooms(path, steps):
    libraries = {name.split(".")[0] for name in imports(path)}
    for library, rooms in ALLOWED.items():
        if steps and steps[0] not in rooms:
            assert library not in libraries


def test_no_cycle_between_modules():
    """Import edges between single modules, followed depth first."""
    names = {".".join(["towerlib", *steps]): path for path, steps in modules()}
    edges = {
        name: {target for target in imports(path) if target in names} - {name} for name, path in names.items()
    }
    done, open_ = set(), []

    def visit(name):
        assert name not in open_, f"cycle: {' -> '.join([*open_, name])}"
        if name in done:
            return
        open_.append(name)
        for target in sorted(edges[name]):
            visit(target)
        open_.pop()
        done.add(name)

    for name in edges:
        visit(name)


def test_the_guard_itself_sees_a_step_back(tmp_path):
    module = tmp_path / "bad.py"
    module.write_text(
        "def late():\n    from towerlib.report import condition_charts\n    return condition_charts\n"
    )
    assert rooms_imported(module) == {"report"}


def private_names(path, own_room):
    """Names with an underscore in front that a module takes from another room of ours."""
    tree, origin = ast.parse(path.read_text(encoding="utf-8")), {}
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom):
            for name in node.names:
                origin[name.asname or name.name] = f"{node.module}.{name.name}"
        elif isinstance(node, ast.Import):
            names = [(name.asname, name.name, name.name.split(".")[0]) for name in node.names]
            origin |= {alias or first: full if alias else first for alias, full, first in names}
    taken = list(origin.values())
    for node in ast.walk(tree):
        steps = _dotted(node)
        if len(steps) > 1 and steps[0] in origin:
            taken.append(".".join([origin[steps[0]], *steps[1:]]))
    for name in taken:
        first, room, *rest = [*name.split("."), ""]
        if first == "towerlib" and room != own_room and any(_is_private(step) for step in rest):
            yield name


def _dotted(node):
    """Steps of a name such as ``network.bonds.join``, empty for anything else."""
    if isinstance(node, ast.Name):
        return [node.id]
    if isinstance(node, ast.Attribute) and (before := _dotted(node.value)):
        return [*before, node.attr]
    return []


def _is_private(name):
    return name.startswith("_") and not name.startswith("__")


@pytest.mark.parametrize(("path", "steps"), MODULES)
def test_no_room_reaches_into_another(path, steps):
    assert set(private_names(path, steps[0] if steps else "")) == set()


@pytest.mark.parametrize(
    "text",
    [
        "from towerlib.plan.budget import _best",
        "from towerlib.plan import budget\nbudget._best()",
        "from towerlib import plan\nplan.budget._best()",
        "import towerlib.plan.budget as money\nmoney._best()",
        "import towerlib.plan\ntowerlib.plan.budget._best()",
    ],
)
def test_the_guard_sees_a_private_name(text, tmp_path):
    module = tmp_path / "bad.py"
    module.write_text(text)
    assert "towerlib.plan.budget._best" in set(private_names(module, "report"))
    assert set(private_names(module, "plan")) == set()


MOST_MODULES = 160  # with a function or class of their own; front doors that only gather do not count


def test_there_are_not_too_many_modules():
    kinds = (ast.FunctionDef, ast.ClassDef)
    own = [
        path
        for path, _ in modules()
        if any(isinstance(node, kinds) for node in ast.parse(path.read_text(encoding="utf-8")).body)
    ]
    assert len(own) <= MOST_MODULES


def test_a_folder_has_three_modules_or_more():
    counts = Counter(path.parent.relative_to(PACKAGE).as_posix() for path, _ in modules())
    assert {folder for folder, count in counts.items() if count < 3} == set()


def _words(tree):
    """String and whole-number constants of a module, as texts; a blank goes into a name as an underscore."""
    constants = [node.value for node in ast.walk(tree) if isinstance(node, ast.Constant)]
    return {str(value).replace(" ", "_") for value in constants if isinstance(value, (str, int))}


def _read_names(tree, names):
    """Of these rows of values.csv, the ones that a module reads by `number`.

    A constant argument is that name. A text with gaps is every name that fits, when the module holds what goes into
    them. A variable can only be a name that stands in the module itself.
    """
    words, found = _words(tree), set()
    for node in ast.walk(tree):
        if not (
            isinstance(node, ast.Call)
            and getattr(node.func, "id", getattr(node.func, "attr", "")) == "number"
        ):
            continue
        for argument in node.args[:1]:
            if isinstance(argument, ast.Constant):
                found |= {argument.value} & names
            elif isinstance(argument, ast.JoinedStr):
                parts = [
                    re.escape(p.value) if isinstance(p, ast.Constant) else "(.+)" for p in argument.values
                ]
                fits = {name: re.fullmatch("".join(parts), name) for name in names}
                found |= {name for name, fit in fits.items() if fit and set(fit.groups()) <= words}
            else:
                found |= words & names
    return found


def test_every_value_is_read_somewhere():
    """A row of values.csv that nothing reads looks like a setting and has no effect."""
    names, found = set(table()), set()
    for path, _ in modules():
        text = path.read_text(encoding="utf-8")
        if "towerlib.values import" in text or "values.number" in text:
            found |= _read_names(ast.parse(text), names)
    assert names - found == set()


def test_a_value_that_nothing_reads_is_found():
    tree = ast.parse(
        'KINDS = ("ring",)\nnumber("one")\nfor k in KINDS:\n    number(f"part_{k}_low")\ndead = "two"'
    )
    names = {"one", "two", "part_ring_low", "part_pole_low"}
    assert _read_names(tree, names) == {"one", "part_ring_low"}
