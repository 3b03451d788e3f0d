"""A rig's health, on samples whose faults are known, against SciPy and the HX711's data sheet."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy import stats

from coilbench.analysis.report.phrases import what_and_hint
from coilbench.analysis.report.units import SI
from coilbench.analysis.rig.health import Health, Heard, judge_health
from coilbench.capture.blocks import RAW_DTYPE, FaultCode, SampleFlag
from coilbench.capture.calibration.model import Calibration
from coilbench.capture.calibration.polynomial import PolynomialFit
from coilbench.capture.virtual.bench import Bench, PressSpring, Rest
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import OUTER

PER_COUNT_N = -4e-4  # a cell wired backwards, which the calibration puts right


def line(slope: float) -> PolynomialFit:
    return PolynomialFit((0.0, slope), ((1e-4, 0.0), (0.0, 1e-16)), 0.0, -1e6, 1e6, 5)


CALIBRATION = Calibration(line(PER_COUNT_N), line(-0.005), None, 0.0)


def quiet(
    n: int = 1000, hz: float = 93.0, noise: float = 100.0, drift_per_s: float = 0.0
) -> NDArray[np.void]:
    samples = np.zeros(n, dtype=RAW_DTYPE)
    rng = np.random.default_rng(7)
    t_s = np.arange(n) / hz
    samples["seq"] = np.arange(n)
    samples["t_us"] = np.rint(t_s * 1e6)
    samples["load_counts"] = np.rint(40_000 + drift_per_s * t_s + noise * rng.standard_normal(n))
    samples["travel_counts"] = 12
    return samples


def judged(samples: NDArray[np.void], **others: object) -> Health:
    heard = Heard(samples, nominal_hz=80.0, um_per_count=5.0, **others)  # type: ignore[arg-type]
    return judge_health(heard, CALIBRATION)


def kinds(health: Health) -> list[str]:
    return [finding.kind for finding in health.findings]


def test_a_sound_rig_has_no_findings_and_its_true_figures() -> None:
    rig = RigModel()
    (block,) = Bench(rig, [Rest(10.0)], seed=3).blocks()
    health = judged(block.samples)
    assert health.findings == ()
    assert health.rate_hz == pytest.approx(rig.rate_hz, rel=1e-3)
    # the model's own noise, plus its hum, which the ADC's filter lets through in part
    assert rig.noise_counts * 0.9 < health.noise_counts < rig.noise_counts * 1.6  # type: ignore[operator]
    assert health.noise_n == pytest.approx(health.noise_counts * abs(PER_COUNT_N))  # type: ignore[operator]
    assert health.travel_noise_um == 0.0
    assert health.load_codes > 100


def test_noise_and_drift_are_those_of_scipys_line() -> None:
    samples = quiet(drift_per_s=30.0)
    t_s = samples["t_us"] * 1e-6
    found = stats.linregress(t_s, samples["load_counts"])
    left = samples["load_counts"] - found.intercept - found.slope * t_s
    health = judged(samples)
    assert health.drift_counts == pytest.approx(10.0 * found.slope, rel=1e-9)
    assert health.noise_counts == pytest.approx(np.sqrt(left @ left / (left.size - 2)), rel=1e-9)
    assert health.drift_n == pytest.approx(health.drift_counts * PER_COUNT_N)  # type: ignore[operator]


# HX711 data sheet: 10 or 80 samples a second by the RATE pin; users measure about 11 and 93.
@pytest.mark.parametrize(
    ("nominal", "measured", "told"),
    [
        (80, 80, False), (80, 93, False), (10, 10, False), (10, 11, False),
        (80, 10, True), (80, 11, True), (10, 80, True), (10, 93, True),
    ],
)  # fmt: skip
def test_a_rate_other_than_the_nominal_is_told(nominal: int, measured: int, told: bool) -> None:
    heard = Heard(quiet(hz=measured), nominal_hz=nominal)
    findings = judge_health(heard).findings
    assert [finding.kind for finding in findings] == (["rate"] if told else [])
    for finding in findings:
        assert finding["measured_hz"] == pytest.approx(measured, rel=1e-3)
        assert finding["nominal_hz"] == nominal
        assert finding["cause"] == ("slow" if measured < nominal else "fast")


def test_ten_samples_a_second_where_eighty_were_said() -> None:
    health = judged(quiet(120, hz=11.2))
    assert kinds(health) == ["rate"]
    assert "RATE pin" in str(what_and_hint(health.findings[0], SI)[1])


def test_lost_samples_do_not_slow_the_rate() -> None:
    samples = np.delete(quiet(), slice(300, 340))
    health = judged(samples, samples_lost=40)
    assert health.rate_hz == pytest.approx(93.0, rel=1e-3)
    assert kinds(health) == ["lost"]


def test_a_code_that_never_changes_is_no_cell() -> None:
    health = judged(quiet(noise=0.0))
    assert kinds(health) == ["no_cell"]
    assert health.load_codes == 1
    assert health.findings[0]["cause"] == "constant"


def test_an_amplifier_at_its_end_all_the_time_is_no_cell() -> None:
    samples = quiet()
    samples["load_counts"] = 0x7FFFFF
    samples["flags"] |= np.uint8(SampleFlag.LOAD_SATURATED)
    health = judged(samples)
    assert kinds(health) == ["no_cell"]
    assert health.saturated == len(samples)
    assert health.noise_counts is None


def test_a_few_saturated_readings_are_counted() -> None:
    samples = quiet()
    samples["flags"][10:13] |= np.uint8(SampleFlag.LOAD_SATURATED)
    health = judged(samples)
    assert kinds(health) == ["saturated"]
    assert health.findings[0].facts == {"flagged": 3, "samples": 1000}


def test_every_other_fault_has_its_own_word() -> None:
    torn = quiet()
    torn["flags"][::20] |= np.uint8(SampleFlag.LOAD_SUSPECT)
    assert kinds(judged(torn)) == ["torn_words"]
    assert kinds(judged(quiet(noise=5000.0))) == ["noise"]
    assert kinds(judged(quiet(drift_per_s=400.0))) == ["drift"]
    assert kinds(judged(quiet(drift_per_s=-400.0))) == ["drift"]
    assert kinds(judged(quiet(drift_per_s=150.0))) == []
    assert kinds(judged(quiet(), lines_bad=5)) == ["bad_lines"]
    assert kinds(judged(quiet(), restarts=1)) == ["restarts"]
    assert kinds(judged(quiet(), impossible_steps=3)) == ["encoder"]
    blind = quiet()
    blind["flags"] |= np.uint8(SampleFlag.TRAVEL_ABSENT)
    assert kinds(judged(blind)) == ["no_travel"]
    assert kinds(judged(blind, has_travel=False)) == []
    assert kinds(judged(quiet(3))) == ["silent"]
    paused = quiet()
    paused["t_us"][500:] += 1_200_000
    assert kinds(judged(paused)) == ["gap"]


@pytest.mark.parametrize("code", [*FaultCode, 0x7A])
def test_a_standing_fault_is_said_in_words(code: int) -> None:
    (finding,) = judged(quiet(), faults=(code,)).findings
    assert finding.kind == "fault"
    what, hint = what_and_hint(finding, SI)
    assert what
    assert hint


def test_a_rig_that_was_not_left_alone_is_neither_noisy_nor_drifting() -> None:
    steps = [Rest(3.0), PressSpring(OUTER, OUTER.solid_height_mm + 5.0), Rest(3.0)]
    samples = np.concatenate([b.samples for b in Bench(RigModel(), steps, seed=3).blocks()])
    assert kinds(judged(samples)) == ["disturbed"]
    lifted = quiet()
    lifted["travel_counts"][500:] += 300
    assert kinds(judged(lifted)) == ["disturbed"]
    mass = quiet()
    mass["load_counts"][300:] += 200_000
    assert kinds(judged(mass)) == ["disturbed"]


def test_a_rig_without_a_scale_has_no_travel_noise() -> None:
    assert judged(quiet(), has_travel=False).travel_noise_counts is None
    assert judged(quiet()).travel_noise_counts == 0.0


def test_nothing_at_all_is_silence() -> None:
    health = judged(quiet(0), faults=(FaultCode.ADC_SILENT,))
    assert kinds(health) == ["fault", "silent"]
    assert health.rate_hz is None
