"""The parts import one way, and the pure ones do no reading, writing or printing."""

from __future__ import annotations

import ast
import subprocess
import sys
from graphlib import TopologicalSorter
from pathlib import Path

import pytest

import pipeline

PACKAGE = Path(pipeline.__file__).parent

# Lowest first; a part may import its own level and those below it.
LEVELS = (
    (
        "errors",
        "memory",
        "parallel",
        "cluster",
        "sequence",
        "corrections",
        "settings",
        "fingerprint",
        "__init__",
    ),
    ("photo", "colour", "geometry"),
    ("measure", "card"),
    ("stages", "render"),
    ("report",),
    ("planning",),
    ("run",),
    ("demo",),
    ("console",),
    ("cli",),
)
LEVEL = {part: number for number, parts in enumerate(LEVELS) for part in parts}
PURE = ("colour", "geometry", "planning")

FORBIDDEN_CALLS = {"print", "open", "input"}
FORBIDDEN_METHODS = {
    "read_text",
    "read_bytes",
    "write_text",
    "write_bytes",
    "mkdir",
    "unlink",
    "glob",
    "iterdir",
    "savetxt",
    "loadtxt",
    "imread",
    "imwrite",
}
FORBIDDEN_MODULES = {"logging", "subprocess", "shutil", "tempfile", "socket", "rich", "typer"}


def modules() -> list[Path]:
    return sorted(path for path in PACKAGE.rglob("*.py") if "configs" not in path.parts)


def dotted(path: Path) -> str:
    parts = ("pipeline", *path.relative_to(PACKAGE).with_suffix("").parts)
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def part_of(module: str) -> str:
    names = module.split(".")
    return names[1] if len(names) > 1 else "__init__"


def imports_of(path: Path, everything: set[str]) -> set[str]:
    """Modules of ours that a file imports, anywhere but under `if TYPE_CHECKING`."""
    found: set[str] = set()
    tree = ast.parse(path.read_text("utf-8"))
    typing_only = {
        id(inner)
        for node in ast.walk(tree)
        if isinstance(node, ast.If) and isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
        for inner in ast.walk(node)
    }
    for node in ast.walk(tree):
        if id(node) in typing_only:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: imports are written in full"
            base = node.module or ""
            inner = {f"{base}.{alias.name}" for alias in node.names}
            found |= {name if name in everything else base for name in inner}
    return {name for name in found if name.split(".")[0] == "pipeline"}


@pytest.fixture(scope="module")
def graph() -> dict[str, set[str]]:
    everything = {dotted(path) for path in modules()}
    return {dotted(path): imports_of(path, everything) for path in modules()}


def test_every_part_has_a_level(graph: dict[str, set[str]]) -> None:
    assert {part_of(module) for module in graph} <= LEVEL.keys()


def test_imports_point_one_way(graph: dict[str, set[str]]) -> None:
    wrong = [
        f"{module} imports {imported}"
        for module, imports in graph.items()
        for imported in imports
        if LEVEL[part_of(imported)] > LEVEL[part_of(module)]
    ]
    assert wrong == []


def test_only_the_command_line_uses_the_demo(graph: dict[str, set[str]]) -> None:
    users = {part_of(module) for module, imports in graph.items() if "demo" in map(part_of, imports)}
    assert users <= {"demo", "cli"}


def test_the_render_does_not_know_the_stages(graph: dict[str, set[str]]) -> None:
    for module, imports in graph.items():
        if part_of(module) == "render":
            assert "stages" not in map(part_of, imports), module


def test_imports_form_no_circle(graph: dict[str, set[str]]) -> None:
    TopologicalSorter({module: imports - {module, "pipeline"} for module, imports in graph.items()}).prepare()


def test_base_modules_stand_on_their_own(graph: dict[str, set[str]]) -> None:
    for name in ("errors", "memory", "parallel"):
        assert graph[f"pipeline.{name}"] == set()


def impurities(source: str) -> list[str]:
    """What reads, writes, logs or prints in a module: calls, methods and imports by name."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in FORBIDDEN_CALLS:
            found.append(node.func.id)
        elif isinstance(node, ast.Attribute) and node.attr in FORBIDDEN_METHODS | {"stdout", "stderr"}:
            found.append(node.attr)
        elif isinstance(node, ast.Import):
            found += [n.name for n in node.names if n.name.split(".")[0] in FORBIDDEN_MODULES]
        elif isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] in FORBIDDEN_MODULES:
            found.append(str(node.module))
    return found


@pytest.mark.parametrize("part", PURE)
def test_pure_parts_do_not_read_write_or_print(part: str) -> None:
    for path in modules():
        if part_of(dotted(path)) == part:
            assert impurities(path.read_text("utf-8")) == [], path


@pytest.mark.parametrize(
    "source", ["print(1)", "import logging", "path.write_text('')", "from rich import console", "sys.stdout"]
)
def test_the_check_for_purity_sees(source: str) -> None:
    assert impurities(source)


@pytest.mark.parametrize("module", ["pipeline.cli", "pipeline.console.terminal", "pipeline.console.listing"])
def test_the_command_line_starts_light(module: str) -> None:
    """`--help` must come at once: nothing heavy is imported before a command asks for it."""
    code = f"import {module}, sys; print(*sorted({{name.split('.')[0] for name in sys.modules}}))"
    loaded = set(
        subprocess.run(
            [sys.executable, "-c", code], capture_output=True, text=True, check=True
        ).stdout.split()
    )
    heavy = {
        "numpy",
        "cv2",
        "rawpy",
        "scipy",
        "plotly",
        "pydantic",
        "jinja2",
        "colour",
        "av",
        "exiv2",
        "PyOpenColorIO",
    }
    assert "typer" in loaded or module != "pipeline.cli"
    assert loaded & heavy == set()
