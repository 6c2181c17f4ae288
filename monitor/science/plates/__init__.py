"""Plates: the moisture in an instrument's wood, from the air it has had, and what that does to it.

`parts` holds an instrument's parts, `species` their woods; `faces` what stands between wood and
air, `diffusion` the moisture in a plate, `drive` the air as the wood feels it; `movement` and
`restraint` what a change of moisture does; `history` a whole stay, `answer` how an instrument
stands now.
"""
