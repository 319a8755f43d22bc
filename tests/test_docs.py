"""Documents that cannot rot: the README's screen and commands, the guide's keys and words."""

from __future__ import annotations

import dataclasses
import re
import subprocess
import sys
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest
from conftest import Demo

from bladewatch.config import decode, tables
from bladewatch.ledger.events import COLUMNS, EVENTS
from collectors.fields import CHECKS, CUT_FIELDS, DISMOUNT_REASONS, STROKE_KINDS
from collectors.signals import CATALOGUE
from models.ratios import GROUPS

ROOT = Path(__file__).parent.parent
GUIDE = ROOT / "bladewatch" / "guide"


def block(name: str) -> str:
    """What stands between the marks of a block of the README."""
    found = re.search(
        rf"<!-- {name} -->\n```\n(.*?)```\n<!-- end -->", (ROOT / "README.md").read_text("utf-8"), re.DOTALL
    )
    assert found is not None
    return found.group(1)


def shown(said: str) -> dict[str, str]:
    """The two screens of the README as the demo printed them: the shop at the end of its day, and the score."""
    screen = re.search(r"^Wed 13 May 14:00  .*?^procedure governs[^\n]*\n", said, re.DOTALL | re.MULTILINE)
    score = re.search(r"^What was said beside what is true\n.*?count of cuts [^\n]*\n", said, re.DOTALL | re.MULTILINE)
    assert screen is not None
    assert score is not None
    return {"screen": screen.group(), "score": score.group()}


def test_the_screens_in_the_readme_are_the_demos_own(demo: Demo, request: pytest.FixtureRequest) -> None:
    """Made by the command that the README gives, at 80 columns; --update-golden writes them anew."""
    for name, said in shown(demo.said).items():
        if request.config.getoption("--update-golden"):
            text = (ROOT / "README.md").read_text("utf-8")
            text = text.replace(f"<!-- {name} -->\n```\n{block(name)}", f"<!-- {name} -->\n```\n{said}")
            (ROOT / "README.md").write_text(text, "utf-8")
        assert block(name) == said


def test_the_commands_of_the_readme_name_files_that_are_there() -> None:
    """One line each, standard tools, from a bare clone."""
    for name in ("try command", "test command"):
        (line,) = block(name).splitlines()
        assert line.startswith("python3 -m venv .venv && ")
        for path in re.findall(r"\S*requirements\S+", line):
            assert (ROOT / path).exists(), path
    assert block("try command").endswith(".venv/bin/bladewatch demo\n")


def test_ci_runs_the_test_command_of_the_readme() -> None:
    """Word for word, taken from the README itself."""
    run = (ROOT / ".ci" / "run").read_text()
    assert "<!-- test command -->" in run
    assert "mosquitto" in run


@pytest.mark.parametrize("name", [*decode._SINGLE, *decode._REPEATED, "map"])
def test_every_key_of_the_configuration_is_described(name: str) -> None:
    """A key that the guide does not name is a key that nobody finds."""
    text = (GUIDE / "configuration.md").read_text("utf-8")
    row_class = tables.Map if name == "map" else (decode._SINGLE | decode._REPEATED)[name]
    specs = [*dataclasses.fields(row_class), *(dataclasses.fields(tables.Bearing) if name == "saw" else ())]
    missing = [spec.name for spec in specs if not re.search(rf"\b{spec.name}\b", text)]
    assert missing == []


@pytest.mark.parametrize(
    "words",
    [CUT_FIELDS, CATALOGUE, CHECKS, DISMOUNT_REASONS, STROKE_KINDS, EVENTS, COLUMNS],
    ids=["stroke fields", "signals", "checks", "reasons", "kinds", "events", "columns"],
)
def test_every_word_of_the_interface_is_described(words: object) -> None:
    """Fields, signals, reasons, events and columns stand in the guide of messages."""
    text = (GUIDE / "messages.md").read_text("utf-8")
    assert [word for word in words if not re.search(rf"(?<![\w-]){re.escape(word)}(?![\w-])", text)] == []


def test_stated_groups_are_described() -> None:
    """A group that can be written is a group that can be read about."""
    text = (GUIDE / "configuration.md").read_text("utf-8")
    assert [name for name in GROUPS if f"`{name}`" not in text] == []


def test_links_lead_somewhere() -> None:
    """In the README and in the guide."""
    for path in (ROOT / "README.md", ROOT / "DEVELOPERS.md", *GUIDE.glob("*.md")):
        for link in re.findall(r"\]\(([^)#:]+)\)", path.read_text("utf-8")):
            assert (path.parent / link).exists(), (path, link)


def test_the_wheel_holds_the_three_packages_and_nothing_else(tmp_path: Path) -> None:
    """Top-level names are pinned: they are generic, so a fourth one would be noticed by nobody else."""
    from hatchling.builders.wheel import WheelBuilder

    (path,) = WheelBuilder(str(ROOT)).build(directory=str(tmp_path), versions=["standard"])
    names = zipfile.ZipFile(path).namelist()
    tops = {name.split("/")[0] for name in names}
    assert {name for name in tops if not name.endswith(".dist-info")} == {"bladewatch", "collectors", "models"}
    for needed in ("bladewatch/stores/schema.sql", "bladewatch/py.typed", "collectors/py.typed", "models/py.typed"):
        assert needed in names


_BLOCKER = """
import sys
class Refuse:
    def find_spec(self, name, path=None, target=None):
        if name.split(".")[0] in {refused!r}:
            raise ImportError("refused: " + name)
sys.meta_path.insert(0, Refuse())
import importlib, pkgutil, {package}
for module in pkgutil.iter_modules({package}.__path__):
    importlib.import_module("{package}." + module.name)
"""


@pytest.mark.parametrize(
    ("package", "refused"),
    [
        (
            "models",
            [
                "bladewatch",
                "collectors",
                "msgspec",
                "sqlalchemy",
                "typer",
                "rich",
                "paho",
                "pint",
                "pandas",
                "jmespath",
            ],
        ),
        (
            "collectors",
            ["bladewatch", "models", "numpy", "scipy", "sklearn", "sqlalchemy", "typer", "rich", "pandas", "pint"],
        ),
    ],
)
def test_the_leaves_work_in_bare_environments(package: str, refused: list[str]) -> None:
    """models on a notebook, collectors on an edge box: neither needs the rest."""
    subprocess.run([sys.executable, "-c", _BLOCKER.format(refused=refused, package=package)], check=True, cwd=ROOT)


def test_golden_files_are_compared(golden: Callable[[str, str], None]) -> None:
    """The first page of help, as a user sees it."""
    env = {"COLUMNS": "80", "TERMINAL_WIDTH": "80", "NO_COLOR": "1"}
    done = subprocess.run(
        [sys.executable, "-m", "bladewatch", "--help"], capture_output=True, text=True, check=True, env=env
    )
    golden("help.txt", done.stdout)
