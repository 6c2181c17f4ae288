"""Waits: ready times of a clamp-up, a coat or a rest, from the air so far and the outlook.

No source gives an absolute drying time of a joint as a function of the air. Everything here scales
the repairer's own usual time (`basis`): the time they would give the work in reference air (20 °C,
50 % RH).

`glue`, `film`, `drying`, `timed_rest` hold the laws; `air_log` the air with its gaps; `readiness`
the ready times; `latest_start` the latest start; `daily_pattern` an outlook from recent days;
`learning` the usual time.
"""
