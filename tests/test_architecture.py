"""The house's import rule, and what the pure core and the lean daemon may not touch.

The walk reads the source (ast), so it sees imports inside functions too. It is itself tested on breaches: a
walk that passes everything would fail here.
"""

# ruff: noqa: E501  (the tables of snippets read best one case a line)

import ast
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

import pytest

ROOT = Path(__file__).parents[1]

_BASE = ("rigmon.errors", "rigmon.model", "rigmon.units", "rigmon.rig")
_ANALYSIS = (
    *("rigmon", *_BASE, "rigmon.words", "rigmon.config", "rigmon.core", "rigmon.log", "rigmon.replay"),
    *("rigmon.analysis", "rigmon.processes"),
)


class Layer(NamedTuple):
    """What the modules of a layer may import: of the house (itself always), and from other people."""

    house: tuple[str, ...]
    packages: tuple[str, ...] = ()


#: module or package -> its layer; the longest name that fits counts. `rigmon` alone stands for the version.
LAYERS = {
    "rigmon": Layer(()),
    "rigmon.errors": Layer(()),
    "rigmon.model": Layer(()),
    "rigmon.units": Layer(("rigmon.errors",)),
    "rigmon.words": Layer(()),
    "rigmon.processes": Layer(()),
    "rigmon.rig": Layer(("rigmon.errors", "rigmon.model", "rigmon.units")),
    "rigmon.config": Layer(_BASE),
    "rigmon.core": Layer(_BASE),
    "rigmon.core.nmea": Layer((*_BASE, "rigmon.core"), ("pynmea2",)),
    "rigmon.log": Layer(("rigmon", "rigmon.errors", "rigmon.model", "rigmon.units")),
    "rigmon.log.space": Layer(("rigmon.errors", "rigmon.model", "rigmon.rig", "rigmon.log")),
    "rigmon.edge": Layer(
        (*_BASE, "rigmon.words", "rigmon.core.acts", "rigmon.core.nmea", "rigmon.core.rate"),
        ("serial", "gpiozero", "gpiod"),
    ),
    "rigmon.live": Layer(
        (*_BASE, "rigmon.words", "rigmon.core.acts", "rigmon.edge.guide", "rigmon.edge.signals")
    ),
    "rigmon.edge.pages": Layer((*_BASE, "rigmon.words", "rigmon.edge", "rigmon.live")),
    "rigmon.web": Layer(
        (
            *("rigmon", *_BASE, "rigmon.words", "rigmon.config", "rigmon.log", "rigmon.live"),
            "rigmon.calibration.book",
        ),
        ("starlette", "uvicorn", "prometheus_client", "paho"),
    ),
    "rigmon.replay": Layer(("rigmon", *_BASE, "rigmon.config", "rigmon.core", "rigmon.log")),
    "rigmon.carry": Layer((*_BASE, "rigmon.core", "rigmon.log")),
    "rigmon.lifecycle": Layer(_BASE),
    "rigmon.daemon": Layer(
        (
            "rigmon",
            *_BASE,
            "rigmon.config",
            "rigmon.core",
            "rigmon.log",
            "rigmon.edge",
            "rigmon.lifecycle",
            "rigmon.carry",
        )
    ),
    "rigmon.analysis": Layer(_ANALYSIS, ("numpy", "pandas", "pyproj", "shapely", "astral")),
    "rigmon.analysis.export": Layer(
        _ANALYSIS, ("numpy", "pandas", "shapely", "geopandas", "pyogrio", "gpxpy", "pyarrow")
    ),
    "rigmon.analysis.report": Layer(
        (*_ANALYSIS, "rigmon.calibration"), ("numpy", "shapely", "matplotlib", "jinja2")
    ),
    "rigmon.analysis.record": Layer((*_ANALYSIS, "rigmon.calibration"), ("numpy", "sqlite_utils")),
    "rigmon.analysis.season": Layer(_ANALYSIS, ("numpy", "matplotlib", "jinja2", "distributed")),
    "rigmon.simulate": Layer(
        ("rigmon", *_BASE, "rigmon.config", "rigmon.core", "rigmon.log", "rigmon.replay"),
        ("numpy", "pyproj", "pynmea2"),
    ),
    "rigmon.study": Layer(
        (
            *("rigmon", *_BASE, "rigmon.config", "rigmon.core", "rigmon.replay", "rigmon.processes"),
            "rigmon.simulate",
        ),
        ("numpy",),
    ),
    "rigmon.calibration": Layer(("rigmon", *_BASE, "rigmon.config", "rigmon.core", "rigmon.log")),
    "rigmon.calibration.book": Layer(("rigmon", *_BASE, "rigmon.calibration"), ("sqlite_utils",)),
    "rigmon.calibration.apply": Layer((*_BASE, "rigmon.config", "rigmon.calibration"), ("tomlkit",)),
    "rigmon.doctor": Layer(
        (
            *("rigmon", *_BASE, "rigmon.config", "rigmon.core", "rigmon.log", "rigmon.edge"),
            *("rigmon.calibration", "rigmon.words"),
        ),
        ("serial",),
    ),
    "rigmon.cli": Layer(
        (
            *("rigmon", *_BASE, "rigmon.config", "rigmon.core", "rigmon.log", "rigmon.edge", "rigmon.replay"),
            *("rigmon.daemon", "rigmon.lifecycle", "rigmon.analysis", "rigmon.simulate", "rigmon.study"),
            *("rigmon.calibration", "rigmon.doctor", "rigmon.words", "rigmon.live", "rigmon.web"),
        ),
        ("click",),
    ),
}

#: The layers that speak SQL.
_SQL = (
    "rigmon.log",
    "rigmon.log.space",
    "rigmon.analysis",
    "rigmon.analysis.record",
    "rigmon.calibration.book",
)

#: The core needs no more of the standard library. Left out on purpose: clocks, threads, files, logging,
#: random numbers, databases, and every function of math but sqrt, which alone is rounded alike everywhere.
CORE_LIBRARY = {"bisect", "collections", "dataclasses", "enum", "functools", "heapq", "itertools", "math",
                "operator", "re", "typing"}  # fmt: skip
CORE_BANNED_CALLS = {
    **dict.fromkeys(("open", "print", "input", "breakpoint"), "does input or output"),
    **dict.fromkeys(("exec", "eval", "compile", "__import__"), "runs code that the walk cannot see"),
    **dict.fromkeys(("hash", "id"), "differs from process to process"),
    "sum": "adds floats differently from Python 3.12 on; add in a loop",
    "pow": "need not be rounded alike on every machine",
}
#: (module, what): looked at, and why it may stay
CORE_REVIEWED = {
    ("rigmon.core.nmea", "sum"): "adds whole days of months",
}

#: The command line starts with these alone; each command's module is loaded when it is called, and loads
#: the parts that do the work when it runs.
CLI_GROUP_AT_START = ("rigmon", "rigmon.errors")
CLI_COMMAND_AT_START = ("rigmon", *_BASE, "rigmon.config", "rigmon.cli")


def _covers(allowed: tuple[str, ...], module: str) -> bool:
    """`rigmon` in `allowed` is the top package alone; any other name covers what is below it too."""
    return any(module == name or (name != "rigmon" and module.startswith(f"{name}.")) for name in allowed)


def _layer_of(module: str) -> str | None:
    names = [
        name for name in LAYERS if module == name or (name != "rigmon" and module.startswith(f"{name}."))
    ]
    return max(names, key=len, default=None)


class _Walk(ast.NodeVisitor):
    def __init__(self, module: str, is_package: bool, house: set[str]) -> None:
        self.module = module
        self.package = module if is_package else module.rpartition(".")[0]
        self.house = house
        self.layer = _layer_of(module)
        self.in_core = _covers(("rigmon.core",), module)
        self.depth = 0  # of functions and of what only type checkers read: not run when it is loaded
        self.breaches: list[str] = []
        if self.layer is None:
            self._breach(1, "has no layer: give it one in this test, and in the house's table")

    def _breach(self, line: int, why: str) -> None:
        self.breaches.append(f"{self.module}:{line}: {why}")

    # functions

    def visit_FunctionDef(self, node: ast.FunctionDef | ast.AsyncFunctionDef) -> None:
        self.depth += 1
        self.generic_visit(node)
        self.depth -= 1

    visit_AsyncFunctionDef = visit_FunctionDef  # noqa: N815

    def visit_If(self, node: ast.If) -> None:
        for_checkers = isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING"
        self.depth += for_checkers
        self.generic_visit(node)
        self.depth -= for_checkers

    # imports

    def visit_Import(self, node: ast.Import) -> None:
        for alias in node.names:
            self._imported(alias.name, node.lineno)
            if self.in_core and alias.name == "math" and alias.asname is not None:
                self._breach(node.lineno, "renames math, so that its use cannot be checked")

    def visit_ImportFrom(self, node: ast.ImportFrom) -> None:
        source = node.module or ""
        if node.level:
            above = self.package.split(".")
            above = above[: len(above) - node.level + 1]
            source = ".".join([*above, source] if source else above)
        for alias in node.names:
            inner = f"{source}.{alias.name}"
            is_module = inner in self.house or (source == "rigmon" and alias.name != "__version__")
            self._imported(inner if is_module else source, node.lineno)
            if self.in_core and source == "math" and alias.name != "sqrt":
                self._breach(node.lineno, f"uses math.{alias.name}; only sqrt is rounded alike everywhere")

    def _imported(self, name: str, line: int) -> None:
        top = name.partition(".")[0]
        layer = LAYERS[self.layer] if self.layer else Layer(())
        if top == "rigmon":
            own = (self.layer,) if self.layer and self.layer != "rigmon" else ()
            if not _covers((*layer.house, *own), name):
                self._breach(line, f"imports {name}, which is not below it")
            self._at_start(name, line)
        elif top in sys.stdlib_module_names:
            if self.in_core and top not in CORE_LIBRARY:
                self._breach(line, f"imports {name}; the core does without")
            if top == "sqlite3" and self.layer not in _SQL:
                self._breach(line, "imports sqlite3; run logs and the book are used through their modules")
        elif top not in layer.packages:
            self._breach(line, f"imports {name}, which its layer does without")

    def _at_start(self, name: str, line: int) -> None:
        """The command line must not load at its start what only some commands need."""
        if self.depth == 0 and self.layer == "rigmon.cli":
            allowed = CLI_GROUP_AT_START if self.module == "rigmon.cli" else CLI_COMMAND_AT_START
            if not _covers(allowed, name):
                self._breach(line, f"imports {name} when it is loaded; import it where it is used")

    # calls and arithmetic

    def visit_Call(self, node: ast.Call) -> None:
        called = node.func
        if isinstance(called, ast.Name | ast.Attribute) and node.args:
            function = called.id if isinstance(called, ast.Name) else called.attr
            target = node.args[0]
            if function in ("import_module", "__import__") and isinstance(target, ast.Constant):
                self._imported(str(target.value), node.lineno)
        name = called.id if isinstance(called, ast.Name) else ""
        if self.in_core and name in CORE_BANNED_CALLS and (self.module, name) not in CORE_REVIEWED:
            self._breach(node.lineno, f"calls {name}(), which {CORE_BANNED_CALLS[name]}")
        self.generic_visit(node)

    def visit_Attribute(self, node: ast.Attribute) -> None:
        if (
            self.in_core
            and isinstance(node.value, ast.Name)
            and node.value.id == "math"
            and node.attr != "sqrt"
        ):
            self._breach(node.lineno, f"uses math.{node.attr}; only sqrt is rounded alike everywhere")
        self.generic_visit(node)

    def visit_BinOp(self, node: ast.BinOp) -> None:
        constant = isinstance(node.left, ast.Constant) and isinstance(node.right, ast.Constant)
        power = isinstance(node.op, ast.Pow) and not constant
        if self.in_core and power and (self.module, "**") not in CORE_REVIEWED:
            self._breach(node.lineno, "uses **, which need not be rounded alike on every machine; multiply")
        self.generic_visit(node)


def _modules() -> dict[str, Path]:
    found = {}
    for path in sorted((ROOT / "rigmon").rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


MODULES = _modules()


def breaches(module: str, source: str, *, is_package: bool = False) -> list[str]:
    walk = _Walk(module, is_package, set(MODULES) | {module})
    walk.visit(ast.parse(source))
    return walk.breaches


@pytest.mark.parametrize("module", MODULES)
def test_a_module_keeps_to_its_layer(module: str) -> None:
    path = MODULES[module]
    found = breaches(module, path.read_text(encoding="utf-8"), is_package=path.name == "__init__.py")
    assert not found, "\n".join(found)


def test_the_walk_sees_the_house() -> None:
    assert {"rigmon", "rigmon.units", "rigmon.core", "rigmon.core.rate", "rigmon.core.nmea"} <= set(MODULES)


@pytest.mark.parametrize(
    ("module", "source", "words"),
    [
        ("rigmon.units", "from rigmon.rig import Rig", "imports rigmon.rig, which is not below it"),
        ("rigmon.units", "from rigmon import config", "imports rigmon.config"),
        ("rigmon.model", "import rigmon.units", "imports rigmon.units"),
        ("rigmon.rig", "from rigmon import config", "imports rigmon.config"),
        ("rigmon.config", "from rigmon.core import rate", "imports rigmon.core.rate"),
        ("rigmon.config", "def f():\n    from rigmon.core.rate import speed_band_m_s", ":2: imports rigmon.core.rate"),
        ("rigmon.core.flow", "from rigmon import config", "imports rigmon.config"),
        ("rigmon.core.flow", "from rigmon.edge import hub", "imports rigmon.edge"),
        ("rigmon.core.flow", "from ..log import reader", "imports rigmon.log"),
        ("rigmon.core", "from ..edge import hub", "imports rigmon.edge"),
        ("rigmon.core.flow", "import pynmea2", "imports pynmea2, which its layer does without"),
        ("rigmon.core.flow", "import numpy as np", "imports numpy"),
        ("rigmon.core.flow", "from numpy.typing import NDArray", "imports numpy.typing"),
        ("rigmon.core.flow", "import pandas", "imports pandas"),
        ("rigmon.core.flow", "import serial", "imports serial"),
        ("rigmon.core.flow", "import gpiozero", "imports gpiozero"),
        *(("rigmon.core.flow", f"import {name}", f"imports {name}; the core does without")
          for name in ("time", "datetime", "threading", "queue", "logging", "os", "random", "sqlite3", "asyncio", "socket", "pathlib", "importlib", "secrets", "statistics", "cmath", "decimal", "builtins")),
        ("rigmon.core.flow", "from time import monotonic_ns", "imports time"),
        ("rigmon.core.flow", "def f():\n    import time", ":2: imports time"),
        ("rigmon.core.flow", "if TYPE_CHECKING:\n    from datetime import date", "imports datetime"),
        ("rigmon.core.flow", "from math import exp", "uses math.exp"),
        ("rigmon.core.flow", "from math import *", "uses math.*"),
        ("rigmon.core.flow", "import math\nx = math.hypot(1, 2)", ":2: uses math.hypot"),
        ("rigmon.core.flow", "import math as m", "renames math"),
        ("rigmon.core.flow", "x = y ** 0.5", "uses **"),
        ("rigmon.core.flow", "x = pow(y, 2)", "calls pow()"),
        ("rigmon.core.flow", "x = sum(y)", "calls sum()"),
        ("rigmon.core.flow", "x = hash(y)", "calls hash()"),
        ("rigmon.core.flow", "def f():\n    return open('a')", ":2: calls open()"),
        ("rigmon.core.flow", "print('a')", "calls print()"),
        ("rigmon.core.flow", "__import__('time')", "calls __import__()"),
        ("rigmon.log.writer", "from rigmon.core.pipeline import Pipeline", "imports rigmon.core"),
        ("rigmon.log.writer", "from rigmon.edge.hub import Hub", "imports rigmon.edge"),
        ("rigmon.log.writer", "import pandas", "imports pandas"),
        ("rigmon.edge.gps", "from rigmon.log import writer", "imports rigmon.log"),
        ("rigmon.edge.gps", "from rigmon.core.pipeline import Pipeline", "imports rigmon.core.pipeline"),
        ("rigmon.edge.gps", "from rigmon import core", "imports rigmon.core"),
        ("rigmon.edge.gps", "import sqlite3", "imports sqlite3"),
        ("rigmon.daemon", "import sqlite3", "imports sqlite3"),
        ("rigmon.edge.gps", "import pynmea2", "imports pynmea2"),
        ("rigmon.replay", "from rigmon.analysis import score", "imports rigmon.analysis"),
        ("rigmon.replay", "import numpy", "imports numpy"),
        ("rigmon.daemon", "import numpy", "imports numpy"),
        ("rigmon.daemon", "def f():\n    import pandas", "imports pandas"),
        ("rigmon.daemon", "from rigmon.analysis.score import score", "imports rigmon.analysis"),
        ("rigmon.daemon", "from importlib import import_module\nimport_module('rigmon.analysis')", ":2: imports rigmon.analysis"),
        ("rigmon.daemon", "import click", "imports click"),
        ("rigmon.analysis.score", "from rigmon.edge import hub", "imports rigmon.edge"),
        ("rigmon.analysis.score", "from rigmon.cli import common", "imports rigmon.cli"),
        ("rigmon.analysis.score", "import matplotlib", "imports matplotlib"),
        ("rigmon.simulate.truth", "from rigmon import daemon", "imports rigmon.daemon"),
        ("rigmon.calibration.catch", "import sqlite3", "imports sqlite3"),
        ("rigmon.calibration.catch", "import numpy", "imports numpy"),
        ("rigmon.calibration.flowmeter", "from rigmon.edge.hub import Hub", "imports rigmon.edge"),
        ("rigmon.doctor.live", "from rigmon import daemon", "imports rigmon.daemon"),
        ("rigmon.edge.hub", "from rigmon.doctor import live", "imports rigmon.doctor"),
        ("rigmon.calibration.apply", "import sqlite_utils", "imports sqlite_utils, which its layer does without"),
        ("rigmon.daemon", "from rigmon.calibration import book", "imports rigmon.calibration"),
        ("rigmon.cli", "from rigmon import config", "imports rigmon.config when it is loaded"),
        ("rigmon.cli", "import numpy", "imports numpy"),
        ("rigmon.cli.score", "from rigmon.analysis.score import score", "imports rigmon.analysis.score when it is loaded"),
        ("rigmon.cli.run", "from rigmon import replay", "imports rigmon.replay when it is loaded"),
        ("rigmon.cli.score", "def f():\n    import numpy", "imports numpy"),
        ("rigmon.helpers", "x = 1", "has no layer"),
    ],
)  # fmt: skip
def test_the_walk_finds_a_breach(module: str, source: str, words: str) -> None:
    found = breaches(module, source, is_package=module in ("rigmon.core", "rigmon.cli"))
    assert len(found) >= 1
    assert words in " ".join(found)


@pytest.mark.parametrize(
    ("module", "source"),
    [
        (
            "rigmon.core.flow",
            "from math import sqrt\nfrom collections.abc import Sequence\nx = 2 ** 62\ny = sqrt(4.0)",
        ),
        (
            "rigmon.core.flow",
            "from rigmon.core.rate import speed_band_m_s\nfrom . import nmea\nfrom rigmon import units",
        ),
        ("rigmon.core.nmea", "import pynmea2"),
        (
            "rigmon.log.writer",
            "import sqlite3, threading\nfrom rigmon import __version__\nfrom rigmon.model import Reading",
        ),
        (
            "rigmon.edge.gps",
            "import serial\nfrom rigmon.core.nmea import LineFramer\nfrom rigmon.edge.hub import Hub",
        ),
        (
            "rigmon.analysis.score",
            "import numpy as np\nfrom rigmon.core import rate\nfrom rigmon import replay",
        ),
        (
            "rigmon.cli.score",
            "import click\nfrom rigmon import config\ndef f():\n    from rigmon.analysis import score",
        ),
        ("rigmon.cli.replay", "if TYPE_CHECKING:\n    from rigmon.replay import Opened"),
        ("rigmon.cli", "import click\nfrom rigmon import __version__\nfrom rigmon.errors import UsageError"),
    ],
)
def test_the_walk_lets_good_source_pass(module: str, source: str) -> None:
    assert breaches(module, source, is_package=module == "rigmon.cli") == []


def _loaded_by(module: str) -> set[str]:
    """The names in sys.modules of a fresh interpreter that has imported one module."""
    code = f"import sys, {module}; print(*sys.modules)"
    # -I: neither the environment nor the current folder decides what is found
    run = subprocess.run(
        [sys.executable, "-I", "-c", f"import sys; sys.path.insert(0, {str(ROOT)!r}); {code}"],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    return set(run.stdout.split())


_HEAVY = {"numpy", "pandas", "pyproj", "matplotlib", "sqlite_utils", "tkinter", "http.server"}


def test_the_daemon_is_lean() -> None:
    loaded = _loaded_by("rigmon.daemon")
    assert "rigmon.core.pipeline" in loaded
    assert not loaded & (_HEAVY | {"click"})


def test_the_daemons_end_of_the_pages_is_lean() -> None:
    """Server, broker's client and metrics are the child's to load."""
    loaded = _loaded_by("rigmon.edge.pages")
    assert "rigmon.live.state" in loaded
    assert not loaded & (_HEAVY | {"click", "asyncio", "starlette", "uvicorn", "paho", "prometheus_client"})


def test_showing_the_pairing_code_is_lean() -> None:
    assert not _loaded_by("rigmon.web.pairing") & (_HEAVY | {"asyncio", "starlette", "uvicorn"})


def test_looking_a_record_up_is_lean() -> None:
    """The daemon's process does it before a run."""
    loaded = _loaded_by("rigmon.calibration.book")
    assert "sqlite3" in loaded
    assert not loaded & (_HEAVY | {"click", "tomlkit", "pynmea2"})


def test_choosing_a_target_is_lean() -> None:
    """It happens in the daemon's process, while a rig stands; what edits the text comes with the first choice."""
    loaded = _loaded_by("rigmon.calibration.chosen, rigmon.edge.acts")
    assert "sqlite3" in loaded
    assert not loaded & (_HEAVY | {"click", "tomlkit"})
    choosing = "rigmon.calibration.apply; rigmon.calibration.apply._edited('x', 'a = 1', [], 'us')"
    loaded = _loaded_by(choosing)
    assert "tomlkit" in loaded
    assert not loaded & _HEAVY


def test_the_command_line_starts_lean() -> None:
    loaded = _loaded_by("rigmon.cli")
    assert "click" in loaded
    assert not loaded & (_HEAVY | {"serial", "gpiozero", "pynmea2", "sqlite3"})
