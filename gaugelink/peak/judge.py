"""From samples to a cranking event, by the kind of gauge. Pure and slow: keep it off the event loop."""

from gaugelink.peak.bunched import unbunched
from gaugelink.peak.ending import ended_with, evidence_of
from gaugelink.peak.events import CrankingEvent, EngineHints, EventSamples, GaugeKind, GaugeTraits
from gaugelink.peak.held import fit_held
from gaugelink.peak.live import fit_live

_ANY_GAUGE = GaugeTraits()
_ANY_ENGINE = EngineHints()


def judge(
    samples: EventSamples,
    traits: GaugeTraits = _ANY_GAUGE,
    hints: EngineHints = _ANY_ENGINE,
) -> CrankingEvent:
    """Say what an event was: strokes, peak, uncertainty, flags.

    Args:
        samples: one event, as the detector closed it; of a live gauge also as far as it has got.
        traits: what is known of the gauge.
        hints: what is known of the engine.
    """
    samples = unbunched(samples)
    if samples.kind is GaugeKind.HELD:
        return fit_held(samples, traits, hints)
    return ended_with(fit_live(evidence_of(samples, traits), traits, hints), samples)
