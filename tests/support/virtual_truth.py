"""What a simulated rig's steps and springs show in truth, for tests."""

from coilbench.capture.virtual.bench import PLACE_S, FacesTogether, GaugeBlock, PutMass, Rest, Span
from coilbench.capture.virtual.instrument import RigModel
from coilbench.capture.virtual.spring import SpringModel

SETTLE_S = 0.4  # after a mass or the quill came to rest, until the ADC's filter has forgotten it


def settled(span: Span, rig: RigModel) -> slice:
    """The samples whose reading belongs to a step alone: all of a press."""
    first, end = 0.0, span.act.seconds
    if isinstance(span.step, Rest):
        first = min(SETTLE_S, end)
    elif isinstance(span.step, PutMass | GaugeBlock | FacesTogether):
        first = PLACE_S + SETTLE_S
        end -= 0.0 if isinstance(span.step, PutMass) else PLACE_S
    start = span.first_seq
    return slice(start + round(first * rig.rate_hz), start + round(end * rig.rate_hz))


def rate_at(spring: SpringModel, height_mm: float) -> float:
    """The true local rate, N/mm: central differences of the load."""
    step_mm = 1e-5
    loads = spring.load_n(height_mm - step_mm), spring.load_n(height_mm + step_mm)
    return float(loads[0] - loads[1]) / (2.0 * step_mm)


def lag_s(rig: RigModel) -> float:
    """How far the load comes behind the travel: half the length of the ADC's filter."""
    return 0.5 * rig.filter_conversions / rig.rate_hz
