"""The wheel holds all that the program needs: it is built, installed apart from the clone, and used."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import sysconfig
import venv
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

PROBE = """
import json, pathlib, pipeline
from pipeline.settings import configs_dir, load_settings, named_config
from pipeline.render.grades import load_grade
from pipeline.render.delivery import load_delivery
from pipeline.report.html import write_page
from pipeline.report.metrics import load_limits
home = pathlib.Path(pipeline.__file__).parent
page = write_page(pathlib.Path.cwd())
print(json.dumps({
    "home": str(home),
    "configs": str(configs_dir()),
    "grade": load_grade(load_settings().settings.encode.grade).intent,
    "delivery": load_delivery(load_settings().settings.encode.delivery)[0],
    "limits": sorted(load_limits()),
    "schemas": sorted(path.name for path in (home / "report").glob("*.schema.json")),
    "page": page.stat().st_size,
}))
"""


def run(*command: str | Path, folder: Path) -> str:
    clean = {key: value for key, value in os.environ.items() if key not in ("PYTHONPATH", "PYTHONHOME")}
    done = subprocess.run(
        [str(part) for part in command], cwd=folder, env=clean, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Folder of the programs of a clean environment with the wheel in it.

    Its dependencies are those of the environment that runs the tests, put behind the wheel on its path.
    """
    folder = tmp_path_factory.mktemp("wheel")
    run(sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, ROOT, folder=folder)
    (wheel,) = folder.glob("*.whl")
    home = folder / "environment"
    venv.create(home, with_pip=False)
    programs = home / ("Scripts" if os.name == "nt" else "bin")
    python = programs / ("python.exe" if os.name == "nt" else "python")
    run(sys.executable, "-m", "pip", "-q", "--python", python, "install", "--no-deps", wheel, folder=folder)
    packages = run(python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))", folder=folder)
    behind = Path(packages.strip()) / "zz_dependencies.pth"
    behind.write_text(sysconfig.get_path("purelib") + "\n", encoding="utf-8")
    return programs


def test_everything_travels_inside_the_wheel(installed: Path, tmp_path: Path) -> None:
    python = next(installed.glob("python*"))
    found = json.loads(run(python, "-c", PROBE, folder=tmp_path))
    assert Path(found["home"]).is_relative_to(installed.parent), "not the clone, and not the tests' own"
    assert Path(found["configs"]) == Path(found["home"]) / "configs"
    assert found["grade"] and found["delivery"] == "1080p-h264"
    assert "jitter_rms_px" in found["limits"]
    assert found["schemas"] == ["corrections.schema.json", "diagnosis.schema.json", "report.schema.json"]
    assert found["page"] > 1_000


def test_the_command_runs_from_another_folder(installed: Path, tmp_path: Path) -> None:
    command = next(path for path in installed.iterdir() if path.stem == "evenflight")
    assert "regrade" in run(command, "--help", folder=tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_the_licence_travels_too(installed: Path) -> None:
    text = next(installed.parent.rglob("evenflight-*.dist-info/licenses/pipeline/LICENSE")).read_text("utf-8")
    assert "Apache License" in text
