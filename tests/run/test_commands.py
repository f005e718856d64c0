"""The whole job on a small synthetic card (invented data): results, reuse, care for the photos."""

from __future__ import annotations

import json
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from pipeline.corrections import Corrections
from pipeline.demo.card import DemoCard, write_demo
from pipeline.errors import EvenflightError, UsageError
from pipeline.geometry.camera import corner_rays
from pipeline.geometry.rotation import exp
from pipeline.report.schema import STAGES, read_report
from pipeline.run.commands import regrade, run_card, run_stage
from pipeline.run.workshop import Outcome
from pipeline.settings import load_settings
from tests.watching import Quiet, digests

PHOTOS = 16


def stamps(folder: Path) -> dict[str, int]:
    return {str(p.relative_to(folder)): p.stat().st_mtime_ns for p in folder.rglob("*") if p.is_file()}


def run(
    card: Path, out: Path, *settings: str, sequence: str | None = None, workers: int = 2
) -> list[Outcome]:
    return run_card(
        card, out, load_settings(None, settings), sequence=sequence, progress=Quiet(), workers=workers
    )


@dataclass
class Job:
    """The small card and what one run made of it, with the card's digests before the run."""

    written: DemoCard
    out: Path
    outcomes: list[Outcome]
    before: dict[str, str]


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Job:
    folder = tmp_path_factory.mktemp("job")
    written = write_demo(folder, photos=PHOTOS, size=(480, 360), workers=2)
    before = digests(written.card)
    return Job(written, folder / "out", run(written.card, folder / "out"), before)


@pytest.fixture
def flight(made: Job, tmp_path: Path) -> Path:
    """A copy of the first flight's results, beside a link to the card as far away as the card is."""
    (tmp_path / "card").symlink_to(made.written.card)
    folder = tmp_path / "out" / made.outcomes[0].id
    shutil.copytree(made.outcomes[0].folder, folder)
    return folder


def corrections(folder: Path) -> Corrections:
    return Corrections.model_validate_json((folder / "corrections.json").read_text())


def test_every_sequence_becomes_a_video_with_reports(made: Job) -> None:
    truth = json.loads(made.written.truth.read_text())
    assert len(made.outcomes) == truth["expected"]["sequences"] == 2
    for outcome in made.outcomes:
        assert [video.is_file() for video in outcome.videos] == [True]
        names = {path.name for path in outcome.folder.iterdir()} - {outcome.videos[0].name}
        told = {"corrections.json", "diagnosis.json", "report.html", "work"}
        assert names == {f"{s}.json" for s in STAGES} | told


def test_torn_photos_are_named_and_missing_ones_keep_their_place(made: Job) -> None:
    truth = json.loads(made.written.truth.read_text())
    left_out = [file for outcome in made.outcomes for file, _ in outcome.left_out]
    assert left_out == truth["expected"]["torn"]
    missing = truth["flights"][0]["missing"]
    frames = corrections(made.outcomes[0].folder).frames
    assert [f.frame for f in frames if f.file is None] == missing
    assert all(abs(frames[k].shown - k) == 1 for k in missing)


def test_the_card_is_not_changed(made: Job) -> None:
    assert digests(made.written.card) == made.before


def test_found_flicker_goes(made: Job) -> None:
    # 16 frames of 480 px are too few for the figures of the design; that most of it goes is sure.
    for outcome in made.outcomes:
        report = read_report(outcome.folder / "deflicker.json")
        found, left = report.found["flicker_rms_ev"], report.left["flicker_rms_ev"]
        assert found is not None and left is not None
        assert found > 0.05 and left < 0.1 * found


def test_no_corner_leaves_the_photo(made: Job) -> None:
    for outcome in made.outcomes:
        solved = corrections(outcome.folder)
        rays = corner_rays(solved.width, solved.height, solved.focal_px, solved.shape, solved.crop_ratio)
        seen = np.einsum("nij,cj->nci", exp(np.array([f.rotation_rad for f in solved.frames])), rays)
        reach = np.abs(solved.focal_px * seen[..., :2] / seen[..., 2:])
        assert (reach <= np.array([solved.width, solved.height]) / 2.0).all()
        assert solved.crop_ratio >= 0.85


def test_outputs_tell_no_place_and_no_absolute_path(made: Job) -> None:
    for outcome in made.outcomes:
        for path in outcome.folder.rglob("*.json"):
            text = path.read_text()
            assert "latitude" not in text and "serial" not in text
            assert str(made.written.card) not in text and str(Path.home()) not in text


def test_a_rerun_touches_nothing(made: Job) -> None:
    before = stamps(made.out)
    del_page = {name for name in before if name.endswith(("report.html", "sequence.json"))}
    outcomes = run(made.written.card, made.out)
    after = stamps(made.out)
    assert {k: v for k, v in before.items() if k not in del_page} == {
        k: v for k, v in after.items() if k not in del_page
    }
    assert all(outcome.seconds == {} for outcome in outcomes)
    assert [o.videos for o in outcomes] == [o.videos for o in made.outcomes]
    assert [o.left_out for o in outcomes] == [o.left_out for o in made.outcomes]


def test_one_worker_makes_the_same_video(made: Job, tmp_path: Path) -> None:
    alone = run(made.written.card, tmp_path / "out", sequence=made.outcomes[1].id, workers=1)
    assert alone[0].videos[0].read_bytes() == made.outcomes[1].videos[0].read_bytes()


def test_regrade_repeats_only_the_render(flight: Path) -> None:
    before = stamps(flight)
    progress = Quiet()
    outcome = regrade(flight, load_settings(None, ["encode.grade=storm-light"]), card=None, progress=progress)
    assert progress.steps == ["render"]
    changed = {name for name, stamp in stamps(flight).items() if before.get(name) != stamp}
    assert changed - {"diagnosis.json"} == {"encode.json", "report.html", outcome.videos[0].name}
    outputs = read_report(flight / "encode.json").applied["outputs"]
    assert isinstance(outputs, list)
    grades = [output["grade"] for output in outputs if isinstance(output, dict)]
    assert grades == ["plain", "storm-light"]


def test_a_delivery_more_costs_only_itself(flight: Path, tmp_path: Path) -> None:
    """Of two deliveries one is there already; the square one is cut from the path of the wide one."""
    for name, width in (("wide", 320), ("square", 180)):
        (tmp_path / f"{name}.toml").write_text(
            f'intent = "a test"\nwidth = {width}\nheight = 180\ncodec = "libx264"\nthreads = 2\n'
            'pixel_format = "yuv420p"\ncontainer = "mp4"\n[options]\npreset = "ultrafast"\n'
        )
    wide, both = str(tmp_path / "wide.toml"), f"{tmp_path / 'wide.toml'},{tmp_path / 'square.toml'}"
    (first,) = regrade(
        flight, load_settings(None, [f"encode.delivery={wide}"]), card=None, progress=Quiet()
    ).videos
    stamp = first.stat().st_mtime_ns
    settings = load_settings(None, [f"encode.delivery={both}"])
    outcome = regrade(flight, settings, card=None, progress=Quiet())
    assert [video.stem.rpartition("_")[2] for video in outcome.videos] == ["wide", "square"]
    assert first.stat().st_mtime_ns == stamp
    progress = Quiet()
    assert regrade(flight, settings, card=None, progress=progress).videos == outcome.videos
    assert progress.steps == []


def test_a_stage_again_with_other_settings(flight: Path) -> None:
    before = stamps(flight)
    progress = Quiet()
    settings = load_settings(None, ["stabilise.max_crop=0.05"])
    run_stage(flight, "stabilise", settings, card=None, progress=progress)
    assert progress.steps == ["solve"]
    changed = {name for name, stamp in stamps(flight).items() if before.get(name) != stamp}
    wanted = {"stabilise.json", "corrections.json", "report.html", "work/sequence.json"}
    assert changed - {"diagnosis.json"} == wanted
    assert corrections(flight).crop_ratio >= 0.95
    told = read_report(flight / "stabilise.json").settings["stabilise.max_crop"]
    assert (told.value, told.origin) == (0.05, "--set")
    # The next stage keeps what was set.
    run_stage(flight, "encode", load_settings(), card=None, progress=progress)
    assert corrections(flight).crop_ratio >= 0.95


def test_work_may_be_deleted(flight: Path) -> None:
    solved = (flight / "corrections.json").read_bytes()
    shutil.rmtree(flight / "work")
    progress = Quiet()
    run_stage(flight, "deflicker", load_settings(), card=None, progress=progress)
    assert "measure" in progress.steps
    assert (flight / "corrections.json").read_bytes() == solved


def test_a_moved_card_is_asked_for(flight: Path, made: Job) -> None:
    (flight.parents[1] / "card").unlink()
    with pytest.raises(UsageError, match="say where with --card"):
        regrade(flight, load_settings(), card=None, progress=Quiet())
    outcome = regrade(
        flight, load_settings(None, ["encode.grade=soft-haze"]), card=made.written.card, progress=Quiet()
    )
    assert outcome.videos[0].is_file()


@pytest.fixture
def small_flight(made: Job, tmp_path: Path) -> Path:
    """A card with the first ten photos of the second flight alone."""
    frames = json.loads(made.written.truth.read_text())["flights"][1]["frames"]
    files = [frame["file"] for frame in frames if frame["state"] == "photo"][:10]
    card = tmp_path / "small"
    card.mkdir()
    for file in files:
        shutil.copy(made.written.card / file, card)
    return card


def test_a_photo_that_breaks_on_opening_costs_its_frame(small_flight: Path, tmp_path: Path) -> None:
    victims = sorted(small_flight.glob("*.DNG"))[3:5]  # one compressed, one not
    for victim in victims:
        size = victim.stat().st_size
        with victim.open("r+b") as file:  # headers stay, the picture's data become zeros
            file.seek(size // 3)
            file.write(bytes(size // 3))
    outcome = run(small_flight, tmp_path / "out")[0]
    frames = corrections(outcome.folder).frames
    assert len(frames) == 10
    assert len(outcome.left_out) >= 1  # zeros are valid counts in the uncompressed one
    for file, why in outcome.left_out:
        assert file in why and read_report(outcome.folder / "load.json").found["torn_count"]


def test_left_out_photos_are_treated_as_missing(small_flight: Path, tmp_path: Path) -> None:
    name = sorted(small_flight.glob("*.DNG"))[4].name
    outcome = run(small_flight, tmp_path / "out", f"load.leave_out={name}")[0]
    frames = corrections(outcome.folder).frames
    assert len(frames) == 10 and frames[4].shown_file != name
    assert outcome.left_out == []  # asked for, so no trouble


def test_settings_reach_the_video(small_flight: Path, tmp_path: Path) -> None:
    outcome = run(small_flight, tmp_path / "out", "encode.fps=23.976", "stabilise.max_crop=0")[0]
    output: Any = read_report(outcome.folder / "encode.json").applied["outputs"]
    assert output[0]["fps"] == "24000/1001" and output[0]["frames"] == 10
    assert corrections(outcome.folder).crop_ratio > 0.98  # what the interpolation's margin takes


def test_the_output_folder_must_not_lie_on_the_card(small_flight: Path) -> None:
    before = digests(small_flight)
    with pytest.raises(UsageError, match="lies on the card"):
        run(small_flight, small_flight / "out")
    assert digests(small_flight) == before


def test_a_card_without_a_readable_photo_is_one_error(small_flight: Path, tmp_path: Path) -> None:
    for photo in small_flight.glob("*.DNG"):
        photo.write_bytes(photo.read_bytes()[:3000])
    with pytest.raises(EvenflightError) as raised:
        run(small_flight, tmp_path / "out")
    assert str(raised.value).count("\n") == 0
    assert not list(tmp_path.rglob("*.mp4"))


def test_names_are_checked_before_the_work(small_flight: Path, tmp_path: Path) -> None:
    with pytest.raises(UsageError, match="did you mean 'plain'"):
        run(small_flight, tmp_path / "out", "encode.grade=plan")
    with pytest.raises(UsageError, match="1080p-h264"):
        run(small_flight, tmp_path / "out", "encode.delivery=1080-h264")
    assert not (tmp_path / "out").exists()
