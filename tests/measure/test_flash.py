"""Flashes of made clips, each with as many as were put in."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from pipeline.measure.flash import FlashMeter, measure_flashes

FPS = 30.0


def blinking(
    states: list[int], area: tuple[int, int] = (768, 1024), grey: int = 100, bright: int = 180
) -> list[NDArray[np.uint8]]:
    """Frames of 768×1024 px in which a corner of `area` px is bright where `states` is 1."""
    frames = []
    for state in states:
        frame = np.full((768, 1024, 3), grey, np.uint8)
        if state:
            frame[: area[0], : area[1]] = bright
        frames.append(frame)
    return frames


def square_wave(hertz: float, seconds: float = 2.0) -> list[int]:
    return [int(2 * hertz * k / FPS) % 2 for k in range(int(seconds * FPS))]


@pytest.mark.parametrize("hertz", [1.0, 2.0, 3.0, 5.0, 15.0])
def test_flashes_a_second_are_those_put_in(hertz: float) -> None:
    figures = measure_flashes(blinking(square_wave(hertz)), FPS)
    assert figures.worst == pytest.approx(hertz, abs=0.5)
    assert (len(figures.beyond) > 0) == (hertz > 3.0)


def test_a_still_picture_and_a_slow_fade_do_not_flash() -> None:
    assert measure_flashes(blinking([0] * 40), FPS).worst == 0.0
    fade = [np.full((60, 80, 3), 60 + 2 * k, np.uint8) for k in range(60)]
    assert measure_flashes(fade, FPS).worst <= 0.5


def test_only_more_than_a_quarter_of_a_field_counts() -> None:
    states = square_wave(5.0)
    assert measure_flashes(blinking(states, (120, 176)), FPS).worst == 0.0  # 21,120 px of 21,824
    assert measure_flashes(blinking(states, (128, 176)), FPS).worst == pytest.approx(5.0)  # 22,528 px


def test_two_lights_far_apart_do_not_add_up() -> None:
    frames = blinking(square_wave(5.0), (120, 120))
    for frame, state in zip(frames, square_wave(5.0), strict=True):
        if state:
            frame[-120:, -120:] = 180
    assert measure_flashes(frames, FPS).worst == 0.0


def test_cells_that_change_against_each_other_need_their_own_area() -> None:
    frames = []
    for state in square_wave(5.0):
        frame = np.full((768, 1024, 3), 100, np.uint8)
        frame[:, 512 * state : 512 * (state + 1)] = 180
        frames.append(frame)
    assert measure_flashes(frames, FPS).worst == pytest.approx(5.0)


def test_fine_balanced_patterns_are_exempt() -> None:
    board = (np.indices((768, 1024)).sum(axis=0) % 2).astype(np.uint8) * 255
    frames = [np.repeat((board if k % 2 else 255 - board)[..., None], 3, axis=2) for k in range(30)]
    assert measure_flashes(frames, FPS).worst == 0.0


def test_a_change_may_take_several_frames() -> None:
    steps = [100, 120, 140, 160, 180, 160, 140, 120] * 8  # 3.75 times a second
    frames = [np.full((60, 80, 3), level, np.uint8) for level in steps]
    assert measure_flashes(frames, FPS).worst > 3.0


def test_red_without_change_of_luminance_is_a_red_flash() -> None:
    red, grey = np.array([255, 0, 0], np.uint8), np.full(3, 127, np.uint8)  # both near 0.21
    frames = [np.full((60, 80, 3), red if k % 6 < 3 else grey, np.uint8) for k in range(60)]
    figures = measure_flashes(frames, FPS)
    assert figures.general.max() == 0.0
    assert figures.red.max() == pytest.approx(5.0)
    assert len(figures.beyond) > 0


def test_the_count_is_of_one_second_of_the_frame_rate() -> None:
    frames = blinking(square_wave(5.0, 3.0))
    assert measure_flashes(frames, 60.0).worst == pytest.approx(10.0)


def test_figures_name_the_second_that_ends_with_a_frame() -> None:
    quiet, loud = [0] * 60, square_wave(6.0, 1.0)
    figures = measure_flashes(blinking(quiet + loud + quiet), FPS)
    assert figures.beyond.min() > 60
    assert figures.beyond.max() < 60 + 30 + 30
    assert figures.general.shape == (150,)


def test_a_meter_that_saw_nothing_tells_nothing() -> None:
    figures = FlashMeter(FPS).figures()
    assert figures.worst == 0.0
    assert len(figures.beyond) == 0


def test_texture_that_passes_is_no_flash() -> None:
    ground = np.random.default_rng(3).integers(0, 255, (80, 400), np.uint8)
    wide = np.kron(ground, np.ones((10, 10), np.uint8))  # patches of 10 px, 0.3 degrees
    frames = [np.repeat(wide[:768, 37 * k : 37 * k + 1024, None], 3, axis=2) for k in range(60)]
    assert len(measure_flashes(frames, FPS).beyond) == 0
    flickering = [
        np.asarray(frame * (0.65 if k % 6 < 3 else 1.0), np.uint8) for k, frame in enumerate(frames)
    ]
    assert len(measure_flashes(flickering, FPS).beyond) > 0
