"""Waits: when a clamp-up, a coat or a rest is ready, from the air it has had and the air to come.

No source gives an absolute drying time of a joint as a function of the air. Everything here scales
the repairer's own *basis*: the time they would give the work in reference air (20 °C, 50 % RH).

`glue`, `film`, `drying`, `rest` hold the laws; `air_log` the air with its gaps; `readiness` the
ready times; `ready_by` the latest start; `pattern` the coming air; `learning` the basis.
"""
