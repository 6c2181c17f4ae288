"""The case at home: what a case makes of the air of a home, and what a client can do about it.

`fields` checks what is typed in; `presets` holds cases and how they are used, `devices` what gives
off or takes up water; `balance` is the water balance of an enclosure, `case` a case through time,
`outdoors` and `home` the air a home has, `carried` that of months without a reading; `travel` cold,
heat and the way between; `advice` the least that holds an instrument in its band.
"""
