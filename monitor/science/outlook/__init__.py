"""The shop's air to come: how the room follows the weather, and how sure that is.

`record` holds the shop's hours and the forecasts issued so far. `room` fits the heat balance
(`thermal`) and the vapour balance (`vapour`) to them, `outdoors` puts the outdoor forecast right,
`leftover` learns what both leave over; `shop` puts these together into an ensemble. `track` judges
it by its own past, `snap` tells of dry snaps; `forecaster` goes through a log with all of them.

    k = known(hours, issues)
    shop = learn(k, issues, stop)                              # nightly
    seen = foresee(shop, k, issues, ends, members, seed, record.judged(told, stop))
"""
