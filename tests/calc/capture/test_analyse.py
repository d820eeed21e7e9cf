"""From samples to result: what was put into an invented capture comes out, and what is wrong with it is told."""

import json
from dataclasses import replace
from itertools import chain

import numpy as np
import pytest

from linelog.calc.capture.analyse import CaptureSetup, analyse_rows, check_setup
from linelog.calc.capture.limits import CaptureLimits
from linelog.calc.capture.ring import Probe
from linelog.calc.capture.rows import Rows, Signals
from linelog.calc.capture.sure import SureBy, machine_memory
from linelog.calc.errors import CalcError
from tests.calc.capture.known import CRANK, PULSE, QUIET, RING, SETUP, codes, ring, rows_of, truth, with_probe

PHASES = ("forward", "dome", "back")
BY = {
    "pulse": PULSE,
    "angle": Signals(phase="crank", temperature="oil"),
    "pattern": Signals(temperature="oil"),
}


def analysed(scenario, setup=SETUP):
    return analyse_rows(rows_of(scenario, setup.ring), setup)


def changed(scenario, change, setup=SETUP):
    """Analyse a scenario after `change` had its way with the samples."""
    (rows,) = rows_of(scenario, setup.ring)
    return analyse_rows([change(rows)], setup)


def places(result):
    return np.array([[phase.ram_x.value, phase.ram_y.value] for phase in (result.forward, result.dome, result.back)])


@pytest.mark.parametrize("by", ["pulse", "angle"])
def test_known_path_comes_back(by):
    scenario = replace(
        QUIET, rate_hz=2000.0, strokes=120.0, scatter_um=0.5, noise_um=1.0, drift_um_per_min=(4.0, -6.0)
    )
    result = analysed(scenario, CaptureSetup(RING, BY[by], CRANK))
    known = truth(scenario)
    for name in PHASES:
        phase = getattr(result, name)
        assert phase.ram_x.value == pytest.approx(known[name][0], abs=0.4)
        assert phase.ram_y.value == pytest.approx(known[name][1], abs=0.4)
        assert phase.drift_x.slope == pytest.approx(4.0, abs=phase.drift_x.half_width * 1.5)
        assert phase.drift_y.slope == pytest.approx(-6.0, abs=phase.drift_y.half_width * 1.5)
        assert (phase.offset.x, phase.offset.y) == (-phase.ram_x.value, -phase.ram_y.value)
    for name in ("forward", "back"):
        slopes = getattr(result, name).slope_x.value, getattr(result, name).slope_y.value
        assert slopes == pytest.approx(tuple(known[f"{name} slope"]), abs=0.002)
    assert result.strokes.found in (119, 120)
    assert result.strokes.speed_per_min == pytest.approx(317.3, rel=0.001)
    assert result.disagreement_um < 0.2


def test_split_and_kick_come_back():
    scenario = replace(
        QUIET, rate_hz=4000.0, scatter_um=0.2, noise_um=0.5, split_um=(20.0, -9.0), kick_um=(3.0, 40.0)
    )
    result = analysed(scenario)
    assert result.split.x.value == pytest.approx(20.0, abs=1.0)
    assert result.split.y.value == pytest.approx(-9.0, abs=0.5)
    assert result.kick.angle_deg == pytest.approx(183.0, abs=2.5)
    assert result.kick.y.value == pytest.approx(40.0, abs=6.0)
    assert {"split", "kick"} <= codes(result)


def test_pattern_alone_finds_strokes_and_tells_so():
    scenario = replace(QUIET, rate_hz=2000.0, scatter_um=1.0)
    result = analysed(scenario, CaptureSetup(RING, BY["pattern"], CRANK))
    known = np.array([truth(scenario)[name] for name in PHASES])
    assert places(result) == pytest.approx(known, abs=1.5)
    assert result.strokes.found >= 56
    assert "pattern" in codes(result)


def test_pattern_of_a_punch_that_leaves_the_ring():
    scenario = replace(QUIET, rate_hz=2000.0, scatter_um=1.0, seen_from_mm=250.0)
    by_pattern = analysed(scenario, CaptureSetup(RING, BY["pattern"], CRANK))
    by_pulse = analysed(scenario)
    assert places(by_pattern) == pytest.approx(places(by_pulse), abs=1.0)
    assert min(by_pulse.forward.path.position_mm) > 250.0
    assert not {"clipped", "dropped out"} & codes(by_pulse)


def test_pattern_follows_a_speed_that_wanders_and_a_stop():
    steady = replace(QUIET, strokes=160.0, wander=0.03)
    (rows,) = rows_of(steady)
    still = rows.probes[:, [15000]] + np.random.default_rng(2).normal(0, 0.02, (4, 9000))
    stop = rows.time_s[15000] + np.arange(1, 9001) / 1000.0
    rest = replace(rows.pick(slice(15000, None)), time_s=rows.time_s[15000:] + 9.01)
    parts = [rows.pick(slice(0, 15000)), Rows(stop, still, rows.phase[:9000], rows.pulse[:9000] * 0.0), rest]
    bare = [Rows(part.time_s, part.probes) for part in parts]
    result = analyse_rows(bare, CaptureSetup(RING, Signals(), CRANK))
    known = np.array([truth(steady)[name] for name in PHASES])
    assert places(result) == pytest.approx(known, abs=2.5)
    assert 140 <= result.strokes.used <= 160


@pytest.mark.parametrize("angles", [(0, 90), (0, 120, 240), (20, 110, 200, 290), (0, 45, 170)])
def test_any_ring_gives_the_same_place(angles):
    scenario = replace(QUIET, scatter_um=1.0, noise_um=0.5)
    known = np.array([truth(scenario)[name] for name in PHASES])
    result = analysed(scenario, replace(SETUP, ring=ring(*angles)))
    assert places(result) == pytest.approx(known, abs=1.5)


def test_turned_ring_permuted_channels_and_growth_change_nothing():
    (rows,) = rows_of(QUIET)
    plain = analyse_rows([rows], SETUP)
    order = [2, 0, 3, 1]
    shuffled = replace(RING, probes=tuple(RING.probes[n] for n in order))
    permuted = analyse_rows([replace(rows, probes=rows.probes[order])], replace(SETUP, ring=shuffled))
    assert places(permuted) == pytest.approx(places(plain), abs=1e-9)
    grown = replace(rows, probes=rows.probes + 0.3 * rows.time_s + 2.0)  # 30 um/s on every probe alike
    assert places(analyse_rows([grown], SETUP)) == pytest.approx(places(plain), abs=1e-6)
    turned = replace(RING, probes=tuple(replace(p, angle_deg=p.angle_deg + 30.0) for p in RING.probes))
    x, y = places(plain).T
    a = np.radians(30.0)
    wanted = np.stack([x * np.cos(a) + y * np.sin(a), y * np.cos(a) - x * np.sin(a)], axis=1)
    # The odd strokes are judged across and up, so the turned ring may set aside one more or less.
    assert places(analyse_rows([rows], replace(SETUP, ring=turned))) == pytest.approx(wanted, abs=0.2)


def test_cut_into_any_runs_the_result_is_the_same():
    (rows,) = rows_of(QUIET)
    whole = analyse_rows([rows], SETUP)
    pieces = analyse_rows([rows.pick(slice(at, at + 777)) for at in range(0, len(rows), 777)], SETUP)
    assert places(pieces) == pytest.approx(places(whole), abs=1e-9)
    assert replace(pieces.strokes, odd_strokes=()) == replace(whole.strokes, odd_strokes=())


def test_result_is_plain_json_with_its_version():
    result = analysed(replace(QUIET, warming_per_min=10.0))
    plain = json.loads(json.dumps(result.as_dict(), allow_nan=False))
    assert plain["version"] == "2"
    assert plain["forward"]["series"]["strokes_a_point"] == 1
    assert len(plain["forward"]["path"]["x_um"]) == len(plain["forward"]["path"]["position_mm"])
    assert plain["forward"]["offset"]["x"] == -plain["forward"]["ram_x"]["value"]


def test_series_are_thinned_for_charts():
    scenario = replace(QUIET, strokes=900.0, rate_hz=700.0)
    series = analysed(scenario).forward.series
    assert series.strokes_a_point == 3
    assert len(series.x_um) == len(series.time_s) == len(series.temperature) <= 400


def test_drift_is_told_against_time_and_temperature():
    scenario = replace(QUIET, strokes=320.0, drift_um_per_min=(0.0, 30.0), warming_per_min=10.0, scatter_um=1.0)
    result = analysed(scenario)
    (caution,) = [each for each in result.cautions if each.code == "drift"]
    assert caution.figures["change_um"] == pytest.approx(30.0, rel=0.1)
    assert caution.figures["um_per_degree"] == pytest.approx(3.0, rel=0.1)
    assert "toward 12 o'clock" in caution.sentence
    assert caution.look_at


def test_temperature_that_hardly_changed_says_nothing():
    assert analysed(QUIET).forward.drift_x_temperature is None


def test_odd_strokes_are_set_aside_and_listed():
    def knock(rows: Rows) -> Rows:
        probes = rows.probes.copy()
        probes[1, 4000:4400] += 3.0  # two strokes pushed toward 3 o'clock by 300 um
        probes[3, 4000:4400] -= 3.0
        return replace(rows, probes=probes)

    result, plain = changed(QUIET, knock), analysed(QUIET)
    when = [odd.time_s for odd in result.strokes.odd_strokes if odd.departure_um > 50.0]
    assert 2 <= len(when) <= 3
    assert all(3.7 < time < 4.5 for time in when)
    assert places(result) == pytest.approx(places(plain), abs=0.5)


def test_many_odd_strokes_are_warned_of():
    def knocks(rows: Rows) -> Rows:
        probes = rows.probes.copy()
        for start in range(1000, 9000, 1900):
            probes[0, start : start + 150] += 2.0
        return replace(rows, probes=probes)

    assert "odd strokes" in codes(changed(QUIET, knocks))


@pytest.mark.parametrize("stated", [True, False])
def test_a_clipped_probe_is_left_out_where_it_clips(stated):
    scenario = replace(QUIET, place_um=(30.0, -7.0), rate_hz=4000.0, scatter_um=1.0)
    clipping = with_probe(RING, 1, high=0.4)
    (rows,) = rows_of(scenario, clipping)
    setup = replace(SETUP, ring=clipping if stated else RING)
    result = analyse_rows([rows], setup)
    known = np.array([truth(scenario)[name] for name in PHASES])
    assert places(result) == pytest.approx(known, abs=1.0)
    (caution,) = [each for each in result.cautions if each.code == "clipped"]
    assert "p90" in caution.sentence
    assert result.probes[1].clipped_percent > 5.0
    assert result.probes[0].clipped_percent == 0.0


def test_two_probes_cannot_do_without_a_clipped_one():
    clipping = with_probe(ring(0, 90), 1, high=0.1)
    with pytest.raises(CalcError, match="in no phase of the stroke"):
        analysed(replace(QUIET, place_um=(80.0, 0.0)), replace(SETUP, ring=clipping))


def test_drop_outs_missing_and_hanging_are_told():
    def fail(rows: Rows) -> Rows:
        probes = rows.probes.copy()
        probes[0, 3000:3500] = np.nan
        probes[2, 6000:6400] = probes[2, 6000]
        return replace(rows, probes=probes)

    result = changed(QUIET, fail)
    told = [each.sentence for each in result.cautions if each.code == "dropped out"]
    assert len(told) == 2
    assert "p0" in told[0]
    assert "p180" in told[1]
    assert places(result) == pytest.approx(places(analysed(QUIET)), abs=0.5)


def test_single_missing_samples_only_thin_their_cells():
    def thin(rows: Rows) -> Rows:
        probes = rows.probes.copy()
        probes[:, ::5] = np.nan
        return replace(rows, probes=probes)

    scenario = replace(QUIET, rate_hz=4000.0)
    assert places(changed(scenario, thin)) == pytest.approx(places(analysed(scenario)), abs=0.3)


def test_missing_samples_of_all_probes_are_filled_without_bias():
    def lose(rows: Rows) -> Rows:
        probes = rows.probes.copy()
        for start in range(2000, 9000, 500):
            probes[:, start : start + 40] = np.nan
        return replace(rows, probes=probes)

    result = changed(QUIET, lose)
    assert result.forward.filled_percent > 0.0
    assert places(result) == pytest.approx(places(analysed(QUIET)), abs=0.6)


def test_unsteady_speed_and_missed_pulses_are_told():
    def miss(rows: Rows) -> Rows:
        pulse = rows.pulse.copy()
        pulse[3300:3700] = 0.0
        return replace(rows, pulse=pulse)

    result = changed(replace(QUIET, wander=0.05, strokes=200.0), miss)
    (caution,) = [each for each in result.cautions if each.code == "speed"]
    assert result.strokes.off_speed >= 1
    assert caution.figures["range_percent"] > 3.0


def test_gaps_in_time_are_told_with_their_time():
    def gap(rows: Rows) -> Rows:
        keep = np.ones(len(rows), dtype=bool)
        keep[5000:5040] = False
        return rows.pick(keep)

    result = changed(QUIET, gap)
    (caution,) = [each for each in result.cautions if each.code == "gaps"]
    assert result.file.gaps == 1
    assert "4.9990 s" in caution.sentence


def test_few_strokes_are_told_and_more_are_priced():
    assert "few strokes" in codes(analysed(replace(QUIET, strokes=12.0), known_machine(SETUP)))
    result = analysed(replace(QUIET, strokes=12.0))
    more = result.more_strokes
    assert more.now.half_width_um > more.later[0].half_width_um > more.later[1].half_width_um
    assert more.wanted_strokes > result.strokes.used
    uncertain = with_probe(RING, 0, zero_u_um=5.0)
    assert analysed(replace(QUIET, strokes=12.0), replace(SETUP, ring=uncertain)).more_strokes.wanted_strokes is None


def known_machine(setup):
    """The set-up of a machine of which a long capture is known."""
    long = analysed(replace(QUIET, strokes=120.0, seed=5), setup)
    told = {"forward": long.forward.memory, "dome": long.dome.memory, "return": long.back.memory}
    return replace(setup, memory=machine_memory([told]))


def test_a_short_capture_has_no_interval_until_a_long_one_is_known():
    short = replace(QUIET, strokes=12.0)
    alone, known = analysed(short), analysed(short, known_machine(SETUP))
    assert (alone.sure.by, known.sure.by) == (SureBy.NOTHING, SureBy.MACHINE)
    (caution,) = [each for each in alone.cautions if each.code == "not sure"]
    assert "36 strokes" in caution.sentence
    assert "not sure" not in codes(known)
    assert analysed(replace(QUIET, strokes=60.0)).sure.by is SureBy.CAPTURE


@pytest.mark.parametrize("strokes", [0.5, 2.1, 2.9])
def test_one_stroke_or_none_gives_no_result(strokes):
    with pytest.raises(CalcError, match="whole stroke"):
        analysed(replace(QUIET, strokes=strokes))


@pytest.mark.parametrize(("by", "says"), [("pulse", "by pulse"), ("pattern", "by repeating pattern")])
def test_a_machine_that_stands_has_no_strokes(by, says):
    rows = Rows(np.arange(9000) / 1000.0, np.random.default_rng(1).normal(0, 1, (4, 9000)), pulse=np.zeros(9000))
    with pytest.raises(CalcError, match=says):
        analyse_rows([rows], CaptureSetup(RING, replace(BY[by], temperature=None), CRANK))


def test_crank_angle_in_radians_is_told():
    (rows,) = rows_of(QUIET)
    with pytest.raises(CalcError, match="whole turns in degrees"):
        analyse_rows([replace(rows, phase=np.radians(rows.phase))], CaptureSetup(RING, BY["angle"], CRANK))


def test_volts_read_as_micrometres_are_told():
    (rows,) = rows_of(QUIET)
    unscaled = replace(RING, probes=tuple(replace(probe, scale_um_per_unit=1.0) for probe in RING.probes))
    with pytest.raises(CalcError, match="looks to be in volts") as error:
        analyse_rows([rows], replace(SETUP, ring=unscaled))
    assert error.value.field == "scale_um_per_unit"


def test_a_scale_a_thousand_times_too_large_is_told():
    (rows,) = rows_of(QUIET)
    scaled = replace(RING, probes=tuple(replace(probe, scale_um_per_unit=1e5) for probe in RING.probes))
    with pytest.raises(CalcError, match="no ram in its bushings"):
        analyse_rows([rows], replace(SETUP, ring=scaled))


def test_probes_that_contradict_one_another_are_told():
    def swap(rows: Rows) -> Rows:
        return replace(rows, probes=rows.probes[[1, 0, 2, 3]])

    assert "disagreement" in codes(changed(QUIET, swap))


def test_a_sample_rate_too_low_is_told():
    with pytest.raises(CalcError, match="samples: record at a higher rate"):
        analysed(replace(QUIET, rate_hz=110.0))


def test_limits_and_doubled_columns_are_checked():
    with pytest.raises(CalcError, match="limit drift"):
        check_setup(replace(SETUP, limits=CaptureLimits(drift_um=0.0)))
    with pytest.raises(CalcError, match="two things at once"):
        check_setup(replace(SETUP, signals=Signals(time="p0")))


def test_too_much_scatter_is_told():
    assert "spread" in codes(analysed(replace(QUIET, scatter_um=15.0)))


def test_a_quiet_capture_is_warned_of_nothing():
    quiet = replace(QUIET, strokes=150.0, rate_hz=2000.0, kick_um=(0.0, 5.0))
    assert codes(analysed(quiet)) == set()


def test_a_phase_the_ring_does_not_see_is_left_out():
    result = analysed(replace(QUIET, rate_hz=4000.0, seen_from_mm=607.0))
    assert result.forward is None
    assert result.back is None
    assert result.split is None
    assert "unseen" in codes(result)
    assert result.dome.slope_x is None


def test_pulse_may_stand_anywhere_and_crank_angle_run_backwards():
    (rows,) = rows_of(QUIET)
    plain = analyse_rows([rows], SETUP)
    quarter = (rows.phase + 270.0) % 360.0
    moved = replace(rows, pulse=(quarter < 7.2).astype(float), phase=-quarter)
    by_pulse = analyse_rows([moved], replace(SETUP, signals=replace(PULSE, pulse_at_deg=90.0)))
    assert places(by_pulse) == pytest.approx(places(plain), abs=0.3)
    backwards = Signals(phase="crank", phase_at_rear_deg=-270.0)
    assert places(analyse_rows([moved], replace(SETUP, signals=backwards))) == pytest.approx(places(plain), abs=0.3)


def test_empty_runs_of_samples_are_passed_over():
    (rows,) = rows_of(QUIET)
    nothing = rows.pick(slice(0, 0))
    result = analyse_rows(chain([nothing], [rows], [nothing]), SETUP)
    assert result.file.samples == len(rows)


def test_probe_names_reach_the_result():
    of = replace(RING, probes=(*RING.probes[:3], Probe("side", 270.0, 100.0)))
    assert analysed(QUIET, replace(SETUP, ring=of)).probes[3].column == "side"


def spoilt(rows: Rows, rng: np.random.Generator) -> Rows:
    """Return rows with two to four of the things that go wrong at a machine."""
    probes, pulse, warmth, time_s = (each.copy() for each in (rows.probes, rows.pulse, rows.temperature, rows.time_s))
    for fault in rng.integers(0, 9, rng.integers(2, 5)):
        probe, (start, end) = rng.integers(len(probes)), np.sort(rng.integers(0, len(rows), 2))
        if fault == 0:
            probes[probe, start:end] = np.nan
        elif fault == 1:
            probes[:, start:end] = np.nan
        elif fault == 2:
            probes[probe] = probes[probe, 0]
        elif fault == 3:
            probes[probe] = np.clip(probes[probe], -0.05, 0.1)
        elif fault == 4:
            pulse[start:end] = 0.0
        elif fault == 5:
            pulse[:] = rng.normal(size=pulse.size)
        elif fault == 6:
            warmth[start:end] = np.nan
        elif fault == 7:
            time_s[end:] += rng.exponential(5.0)
        else:
            probes = np.round(probes, 1)
    return replace(rows, probes=probes, pulse=pulse, temperature=warmth, time_s=time_s)


@pytest.mark.parametrize("seed", range(24))
def test_whatever_went_wrong_gives_a_result_or_one_sentence(seed):
    rng = np.random.default_rng(seed)
    setup = CaptureSetup(
        ring(*((0, 90), (0, 120, 240), (0, 90, 180, 270))[seed % 3]), BY[list(BY)[seed % 2 * 2]], CRANK
    )
    (rows,) = rows_of(replace(QUIET, strokes=30.0, seed=seed), setup.ring)
    result, sentence = None, ""
    try:
        result = analyse_rows([spoilt(rows, rng)], setup)
    except CalcError as error:
        sentence = error.message
    assert "nan" not in sentence
    assert sentence.endswith(".") if result is None else json.dumps(result.as_dict(), allow_nan=False)
