"""Lower floors never import upper ones, and rooms on a floor do not import each other."""

import ast
from functools import cache
from pathlib import Path

import pytest

import canscope

FLOORS = [
    {"model"},
    {"trust", "cache"},
    {"capture", "decoding", "events", "rules", "report", "simulate", "survey"},
    {"fast"},  # nobody imports it; the engine asks for it by name
    {"plan", "curves"},
    {"judge", "proofreading", "draft"},
    {"live"},
    {"build_record", "checking"},
    {"attending", "batch"},
    {"bench"},
    {"cli"},
]
FLOOR = {room: level for level, rooms in enumerate(FLOORS) for room in rooms}
ROOT = Path(canscope.__file__).parent


@pytest.fixture(scope="module", autouse=True)
def forgotten():
    """Each file is parsed once for all that follows; so many nodes are not kept any longer."""
    yield
    nodes.cache_clear()


@cache
def nodes(path):
    """Every node of a file, the whole of it first."""
    return tuple(ast.walk(ast.parse(path.read_text("utf-8"))))


def imports(path):
    for node in nodes(path):
        if isinstance(node, ast.ImportFrom) and node.module:
            yield node.module
        elif isinstance(node, ast.Import):
            yield from (name.name for name in node.names)


def edges():
    """(file, its room, the room that it imports from) of the whole package."""
    for path in ROOT.glob("*/**/*.py"):
        here = path.relative_to(ROOT).parts[0]
        for name in imports(path):
            if name.startswith("canscope."):
                yield path.relative_to(ROOT), here, name.split(".")[1]


def test_every_room_has_its_floor():
    rooms = {path.parent.name for path in ROOT.glob("*/__init__.py")}
    assert rooms <= set(FLOOR)


def test_imports_go_down():
    upward = [
        f"{path} imports {there}"
        for path, here, there in edges()
        if here != there and FLOOR[there] >= FLOOR[here]
    ]
    assert upward == []


def private_imports(path):
    """What this file imports by a name with a leading underscore, except its folder's modules."""
    folder = ".".join(path.relative_to(ROOT.parent).parent.parts)
    for node in nodes(path):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("canscope"):
            for alias in node.names:
                names = [*node.module.split("."), alias.name]
                for place, name in enumerate(names):
                    private = name.startswith("_") and not name.startswith("__")
                    if private and ".".join(names[:place]) != folder:
                        yield ".".join(names)


def test_private_names_stay_in_their_folder():
    found = {
        f"{path.relative_to(ROOT)} imports {name}"
        for path in ROOT.rglob("*.py")
        for name in private_imports(path)
    }
    assert found == set()


def test_the_floors_test_sees_imports_at_all():
    assert len(list(edges())) > 50


def test_only_the_command_line_and_tests_know_the_simulator():
    users = {here for _, here, there in edges() if there == "simulate"}
    assert users <= {"simulate", "cli"}


def test_the_model_opens_nothing():
    forbidden = {"socket", "can", "cantools", "plotly", "pandas", "pathlib.Path.open"}
    files = {*(ROOT / "model").glob("*.py")} - {ROOT / "model" / "dataframes.py"}  # what it is for
    used = {name.split(".")[0] for path in files for name in imports(path)}
    assert not used & forbidden


SENDS = {"send", "sendto", "sendall", "sendmsg", "send_periodic", "_send_periodic_internal"}
SENDING = {"CyclicTask", "ThreadSafeCyclicTaskABC", "broadcastmanager", "MessageSync"}


def test_nothing_in_the_package_can_transmit():
    """A passive tool: nothing named send is so much as mentioned, nor what sends for others."""
    found = [
        f"{path.relative_to(ROOT)}:{node.lineno}"
        for path in ROOT.glob("**/*.py")
        for node in nodes(path)
        if (isinstance(node, ast.Attribute) and node.attr in SENDS | SENDING)
        or (isinstance(node, ast.Constant) and node.value in SENDS)
        or (isinstance(node, ast.ImportFrom) and {name.name for name in node.names} & SENDING)
    ]
    assert found == []


def test_only_one_function_writes_to_an_adapter_and_only_what_a_listener_may_say():
    """Whoever holds the serial line could write to it: one place does, behind its own check."""
    writers = []
    for path in (ROOT / "live").rglob("*.py"):
        for function in nodes(path):
            if isinstance(function, ast.FunctionDef):
                writers += [
                    (path.name, function.name)
                    for node in ast.walk(function)
                    if isinstance(node, ast.Attribute)
                    and node.attr in {"write", "writelines"}
                    and "port" in ast.unparse(node.value)
                ]
    assert writers == [("slcan.py", "_command")]


def test_no_module_imports_itself_by_way_of_others():
    """At the top of a file; what is imported inside a function waits until it is called."""
    files = {
        ".".join(path.relative_to(ROOT.parent).with_suffix("").parts): path
        for path in ROOT.rglob("*.py")
    }
    graph = {name: set() for name in files}
    for name, path in files.items():
        for node in nodes(path)[0].body:
            if isinstance(node, ast.ImportFrom) and node.module in files:
                graph[name].add(node.module)
            elif isinstance(node, ast.ImportFrom) and node.module:
                inside = {f"{node.module}.{alias.name}" for alias in node.names}
                graph[name] |= inside & set(files)
    while leaves := {name for name, uses in graph.items() if not uses & set(graph)}:
        graph = {name: uses for name, uses in graph.items() if name not in leaves}
    assert graph == {}
