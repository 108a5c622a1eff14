"""Treatments: what plots got, means whose shared part does not shrink, verdicts on planted truth and their errors."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.equivalence.plots import NO_STOCK, NUTRIENT, WATER, mean_dose, plot_doses
from analysis.equivalence.treatments import compare
from analysis.results import refused
from tests.analysis.trial import FIRST, planted, runs_of, told, trial

TWO_IN_A_ZONE = (
    (
        '[plot.p1]\nzone = "a"',
        '[plot.p0]\nzone = "a"\ntreatment = "full"\narea = "20 m2"\n[plot.p1]\nzone = "a"',
    ),
    ('treatment = "full"\n\n[plot.p2]', 'treatment = "full"\narea = "30 m2"\n\n[plot.p2]'),
)


_TRIAL = trial()


def test_plot_gets_its_share_of_the_zone() -> None:
    """A plot that is a whole zone gets the zone's grams on its ground; a part of one the same on each square metre."""
    runs = runs_of("a", 1)
    estimates = [*told("a", [20.0], shared=0.01), *told("a", [300.0], shared=0.01, quantity="water volume")]
    whole = plot_doses(trial(), runs, estimates)
    parts = plot_doses(trial(*TWO_IN_A_ZONE), runs, estimates)

    assert [d.quantity for d in whole] == [WATER, NUTRIENT]
    assert [d.value for d in whole] == pytest.approx([6.0, 0.4])
    assert {d.plot: d.value for d in parts if d.quantity == NUTRIENT} == pytest.approx({"p0": 0.4, "p1": 0.4})
    assert whole[1].relative(random=False) == pytest.approx(0.01)
    assert parts[1].relative(random=False) == pytest.approx(math.hypot(0.01, 0.05 / math.sqrt(3.0)))


def test_plot_with_its_own_emitters_gets_what_they_give() -> None:
    """Emitters twice as dense give twice the dose on the same ground."""
    dense = trial(
        (
            '[zone.a]\narea = "50 m2"',
            '[zone.a]\narea = "50 m2"\nemitters = [{ count = 300, flow = "2 L/h" }]',
        ),
        (
            'zone = "a"\ntreatment = "full"',
            'zone = "a"\ntreatment = "full"\narea = "25 m2"\nemitters = [{ count = 200, flow = "2 L/h" }]',
        ),
    )
    dose = plot_doses(dense, runs_of("a", 1), told("a", [20.0]))[1]

    assert dose.value == pytest.approx(20.0 * (200 / 300) / 25.0)


def test_run_without_a_dose_says_why() -> None:
    """A run without stock, and one whose dose was refused, are kept with their reasons."""
    dry = plot_doses(trial(), runs_of("a", 1, stock=False), [])
    no = refused("nutrient dose", "none", "the stock meter was silent", nutrient="N").of("a", FIRST)
    silent = plot_doses(trial(), runs_of("a", 1), [no])

    assert (dry[1].value, dry[1].reason) == (None, NO_STOCK)
    assert (silent[1].value, silent[1].reason) == (None, "the stock meter was silent")
    assert mean_dose(dry) is None


def test_shared_part_of_a_mean_does_not_shrink_with_the_runs() -> None:
    """Over a hundred runs what is drawn anew falls tenfold, and the meter's gain stays as it was."""
    few, many = (
        mean_dose(
            [
                d
                for d in plot_doses(trial(), runs_of("a", n), told("a", [20.0] * n, shared=0.02, random=0.02))
                if d.value
            ]
        )
        for n in (1, 100)
    )

    assert few is not None
    assert many is not None
    assert [few.shared_sd, few.random_sd] == pytest.approx([0.008, 0.008])
    assert [many.shared_sd, many.random_sd] == pytest.approx([0.008, 0.0008])


def test_plots_of_one_zone_do_not_count_twice() -> None:
    """Two plots behind one valve have one zone's runs and scatter; only their shares are their own."""
    estimates = told("a", [20.0, 21.0, 19.0, 20.5], shared=0.01, random=0.02)
    one, two = (
        mean_dose([d for d in plot_doses(i, runs_of("a", 4), estimates) if d.quantity == NUTRIENT])
        for i in (trial(), trial(*TWO_IN_A_ZONE))
    )

    assert one is not None
    assert two is not None
    assert (one.runs, two.runs) == (4, 4)
    assert two.random_sd == pytest.approx(one.random_sd)
    assert two.shared_sd == pytest.approx(0.4025 * math.hypot(0.01, 0.05 / math.sqrt(6.0)))


def test_interval_of_a_mean_holds_the_truth_in_the_long_run() -> None:
    """Over 1200 meters with gains of their own the 95 % interval holds the mean that the runs really had."""
    rng = np.random.default_rng(11)
    held = 0
    for _ in range(1200):
        true = 20.0 * np.exp(rng.normal(0.0, 0.10, 6))
        seen = true * np.exp(rng.normal(0.0, 0.02) + rng.normal(0.0, 0.03, 6))
        doses = plot_doses(_TRIAL, runs_of("a", 6), told("a", seen.tolist(), shared=0.02, random=0.03))
        mean = mean_dose([d for d in doses if d.quantity == NUTRIENT])
        assert mean is not None
        low, high = mean.interval()
        held += low <= true.mean() / 50.0 <= high

    assert held / 1200 == pytest.approx(0.95, abs=0.02)


@pytest.mark.parametrize(
    ("true_g", "scatter", "count", "verdict"),
    [(20.2, 0.03, 12, "equivalent"), (26.0, 0.03, 12, "different"), (21.0, 0.12, 6, "undecided")],
)
def test_verdict_on_planted_truth(true_g: float, scatter: float, count: int, verdict: str) -> None:
    """A treatment on its target, one 30 % over, and one that scatters too much for its few runs are told apart."""
    rng = np.random.default_rng(3)
    estimates = planted(rng, "a", true_g, count, gain=0.01, scatter=scatter, noise=0.01)
    found = next(
        c for c in compare(trial(), plot_doses(trial(), runs_of("a", count), estimates)) if c.nutrient == "N"
    )

    assert found.verdict == verdict
    assert found.runs == count
    assert found.ratio == pytest.approx(true_g / 20.0, rel=3.0 * math.hypot(0.01, scatter / math.sqrt(count)))
    assert (found.more_runs is not None) == (verdict == "undecided")
    assert "its target" in found.words


def test_errors_of_the_verdicts_in_the_long_run() -> None:
    """At the margin 5 % are called equivalent, on target 5 % are called different, gains of meters included."""
    rng = np.random.default_rng(17)
    trials, rates = 800, {}
    for true_g in (20.0, 22.0):
        verdicts = []
        for _ in range(trials):
            estimates = planted(rng, "a", true_g, 10, gain=0.015, scatter=0.03, noise=0.02)
            doses = plot_doses(_TRIAL, runs_of("a", 10), estimates)
            verdicts.append(next(c for c in compare(_TRIAL, doses) if c.nutrient == "N").verdict)
        rates[true_g] = {v: verdicts.count(v) / trials for v in ("equivalent", "different", "undecided")}

    assert rates[22.0]["equivalent"] == pytest.approx(0.05, abs=0.023)
    assert rates[20.0]["equivalent"] > 0.9
    assert rates[20.0]["different"] < 0.05


def test_difference_on_target_is_called_seldom() -> None:
    """With a margin too narrow to show anything, treatments on their target are called different in 5 %."""
    rng = np.random.default_rng(19)
    calls = 0
    for _ in range(800):
        estimates = planted(rng, "a", 20.0, 8, gain=0.015, scatter=0.03, noise=0.02)
        doses = plot_doses(_TRIAL, runs_of("a", 8), estimates)
        calls += (
            next(c for c in compare(_TRIAL, doses, margin=0.001) if c.nutrient == "N").verdict == "different"
        )

    assert calls / 800 == pytest.approx(0.05, abs=0.023)


def test_treatments_on_the_same_meters_are_compared_without_their_shared_error() -> None:
    """Meters of 4 % do not keep two treatments from being shown alike, but they do keep one from its target."""
    runs = [*runs_of("a", 6), *runs_of("b", 6)]
    estimates = [
        *told("a", [20.0, 20.2, 19.8, 20.0, 20.2, 20.0], shared=0.04),
        *told("b", [20.2, 20.0, 20.0, 19.8, 20.2, 20.0], shared=0.04),
    ]
    tight = (('margin = "10 %"', 'margin = "5 %"'),)
    found = {
        (c.treatment, c.against): c for c in compare(trial(*tight), plot_doses(trial(), runs, estimates))
    }

    assert found["other", "full"].verdict == "equivalent"
    assert found["other", "target"].verdict == "undecided"
    assert "no number of runs would settle it" in found["other", "target"].words


def test_shared_errors_of_different_meters_do_not_cancel() -> None:
    """Two treatments that rest on different sensors keep the worst that their shared errors can do."""
    runs = [*runs_of("a", 6), *runs_of("b", 6)]
    grams = [20.0, 20.2, 19.8, 20.0, 20.2, 20.0]
    estimates = [*told("a", grams, shared=0.03), *told("b", grams, shared=0.03, sensors=("other_flow",))]
    pair = next(c for c in compare(trial(), plot_doses(trial(), runs, estimates)) if c.against == "full")

    assert pair.shared_sd == pytest.approx(0.06)
    assert pair.verdict == "undecided"


def test_each_plot_of_a_treatment_is_tested_beside_its_mean() -> None:
    """Two plots that miss the target on either side are on it in the mean, and off it one by one."""
    both = trial(('zone = "b"\ntreatment = "other"', 'zone = "b"\ntreatment = "full"'))
    runs = [*runs_of("a", 8), *runs_of("b", 8)]
    noise = np.random.default_rng(5).normal(0.0, 0.01, 8)
    estimates = [*told("a", (25.0 * np.exp(noise)).tolist()), *told("b", (16.0 * np.exp(noise)).tolist())]
    found = [
        c for c in compare(both, plot_doses(both, runs, estimates)) if c.treatment == "full" and c.nutrient
    ]

    assert [(c.plot, c.verdict) for c in found] == [
        (None, "equivalent"),
        ("p1", "different"),
        ("p2", "different"),
    ]
    assert [c.runs for c in found] == [16, 8, 8]


def test_what_cannot_be_tested_is_refused_with_its_reason() -> None:
    """One run, no run, no margin, doses all alike and a target of zero each have their words."""

    def words(grams: list[float], *changes: tuple[str, str], shared: float = 0.01) -> str:
        system = trial(*changes)
        doses = plot_doses(system, runs_of("a", len(grams)), told("a", grams, shared=shared))
        found = next(c for c in compare(system, doses) if c.nutrient == "N")
        assert found.verdict == "refused"
        return found.words

    assert "zone a has 1 run with a dose" in words([20.0])
    assert "no run has a dose" in words([])
    assert "no margin is stated; add it to [treatment.full]" in words([20.0, 21.0], ('margin = "10 %"\n', ""))
    assert "alike to the last digit" in words([20.0, 20.0], shared=0.0)
    assert "zero" in words([20.0, 21.0], ('N = "0.4 g/m2', 'N = "0 g/m2'))


def test_dose_is_what_the_emitters_gave_off() -> None:
    """Where stock was carried from run to run the plot got what was delivered, its shared terms those of the dose."""
    dose = told("a", [20.0], shared=0.01, random=0.02)[0]
    moved = replace(
        dose,
        quantity="nutrient delivered",
        value=15.0,
        low=15.0 - 1.96 * 0.75,
        high=15.0 + 1.96 * 0.75,
        budget={"dose": 0.2, "pipes as described": 0.8},
    )
    plain = plot_doses(trial(), runs_of("a", 1), [dose])[1]
    carried = plot_doses(trial(), runs_of("a", 1), [dose, moved])[1]
    washed = plot_doses(trial(), runs_of("a", 1, stock=False), [moved])[1]

    assert [plain.carried, carried.carried, washed.carried] == [False, True, True]
    assert [plain.value, carried.value, washed.value] == pytest.approx([0.4, 0.3, 0.3])
    assert carried.relative(random=True) == pytest.approx(0.02)
    assert carried.relative(random=False) == pytest.approx(math.hypot(0.01, 0.05 * math.sqrt(0.8)), rel=1e-4)
    assert washed.relative(random=False) == pytest.approx(0.05, rel=1e-4)


def test_disagreeing_ways_are_counted() -> None:
    """A run whose ways contradict each other has the first way's dose, and says how many there are."""
    one = told("a", [20.0])[0]
    doses = plot_doses(trial(), runs_of("a", 1), [one, replace(one, value=30.0)])

    assert doses[1].value == pytest.approx(0.4)
    assert doses[1].ways == 2


def test_margin_of_the_command_takes_the_place_of_the_files() -> None:
    """A wider margin than the file's makes an undecided treatment equivalent."""
    estimates = told("a", [20.0, 22.0, 19.0, 21.0], shared=0.01)
    doses = plot_doses(trial(), runs_of("a", 4), estimates)

    assert [
        next(c for c in compare(trial(), doses, margin=m) if c.nutrient).verdict for m in (0.03, 0.30)
    ] == [
        "undecided",
        "equivalent",
    ]
