"""The elastic fold of the studies, against what is known of such chains: energy, closed forms, finer chains."""

from dataclasses import replace

import numpy as np
import pytest

from tests.elastic_fold import STEP, ElasticDrop, G, fold_trace

DROP = ElasticDrop(68.0)


def to_lowest(trace):
    return slice(0, int(trace.depth.argmax()) + 1)


@pytest.mark.parametrize("arms", [0.1, 0.6])
def test_energy_stays_to_the_first_order_of_the_step(arms):
    fall = DROP.mass * G * 30.0
    errors = []
    for step in (STEP, STEP / 2):
        trace = fold_trace(replace(DROP, arms=arms), lumps=80, step=step, duration=5.0)
        errors.append(np.ptp(trace.energy[to_lowest(trace)]) / fall)
    assert errors[0] < 5e-4
    assert errors[1] / errors[0] == pytest.approx(0.5, abs=0.1)


def test_a_stiff_cord_falls_as_the_closed_form_of_a_rigid_fold():
    """Heck, Uylings and Kędzierska 2010, without drag: v² = g y [4ML + m(2L−y)] / [2ML + m(L−y)]."""
    stiff = replace(DROP, air=0.0, viscosity=50.0).scaled(300.0)
    trace = fold_trace(stiff, step=2e-5, duration=1.45)
    M, m, L = stiff.mass, stiff.cord_mass, stiff.length
    seen = (trace.depth > 3.0) & (trace.depth < 9.5)
    y = trace.depth[seen]
    speed = np.gradient(trace.depth, trace.time)[seen]
    rigid = np.sqrt(G * y * (4 * M * L + m * (2 * L - y)) / (2 * M * L + m * (L - y)))
    assert np.abs(speed / rigid - 1).max() < 1e-3  # a body in free fall is up to 2.4 % slower
    assert np.abs(speed[-1] / np.sqrt(2 * G * y[-1]) - 1) > 0.02
    load = m * G * (L + y) / (2 * L) + m * rigid**2 / (4 * L)
    assert trace.tie_load[seen].mean() == pytest.approx(load.mean(), rel=0.01)


def test_a_light_cord_stretches_by_the_energy_of_the_fall():
    light = replace(DROP, cord_mass=0.05, air=0.0, viscosity=0.0, arms=0.1)
    trace = fold_trace(light, lumps=40, step=5e-5, duration=5.0)
    ratio = trace.lowest / light.length
    work = light.c1 * (ratio**2 + 2 / ratio - 3) + light.c2 * (2 * ratio + 1 / ratio**2 - 3)
    assert light.length * work == pytest.approx((light.mass + light.cord_mass / 2) * G * trace.lowest, rel=2e-3)


@pytest.mark.parametrize("release", [0.0, 2.5, -1.0])
def test_the_cord_hangs_at_rest_half_on_each_side_of_the_fold(release):
    held = replace(DROP, release=release)
    trace = fold_trace(held, duration=0.02)  # the news of the release has not come to the tie point yet
    assert np.ptp(trace.tie_load) < 1e-3
    halves = [held.cord_mass * G * (held.length + sign * release) / (2 * held.length) for sign in (1, -1)]
    assert [trace.tie_load[0], trace.lower_load[0]] == pytest.approx(halves, rel=0.02)


@pytest.mark.parametrize("mass", [36.0, 100.0])
def test_a_chain_twice_as_fine_says_about_the_same(mass):
    coarse, fine = (fold_trace(replace(DROP, mass=mass), lumps=lumps, duration=5.0) for lumps in (160, 320))
    assert coarse.lowest == pytest.approx(fine.lowest, abs=0.03)

    def greatest(loads):
        return np.convolve(loads, np.full(25, 1 / 25), "valid").max()

    assert greatest(coarse.lower_load) == pytest.approx(greatest(fine.lower_load), rel=0.01)
    assert greatest(coarse.tie_load) == pytest.approx(greatest(fine.tie_load), rel=0.01)
