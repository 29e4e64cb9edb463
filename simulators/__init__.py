"""A cranked engine, a gauge, a radio and a mechanic, none of them real, all of them awkward.

The engine and what watches it, all plain functions of frozen values:

- `engine.EngineSpec`, `cranking.Cranking`, `cranking.CheckValve`: what is cranked, how, and into what
- `integrator.crank`, `crank_many`, `crank_stream`: the event integrated, a `cranking.CylinderTrace`
- `sensor.LiveGauge`, `sensor.HeldGauge`, `sensor.sample`: a `sensor.SampledTrace`, samples beside the truth
- `scenarios.live_events`, `held_events`, `slipped_hand_events`, `paired_events`: events drawn over what shops meet
- `handling.shop_hours`: hours of handling in chunks of a minute, labelled, with cranking strewn in
- `vessel`: a sealed volume with a hole, for leak-down

Around them: `gatt_gauge` and `radio` (a gauge on a virtual air), `mechanic`, `rehearsal`, `bench`, `shop`.
"""
