"""The carriage in closed loop: homed, driven to a place, always stopped, and trusted only while everything agrees.

`positioner` is what the bench asks. A place is approached from one side (`drive`), read from the encoder where there is
one (`position`), and corrected until it is within tolerance; `following_error` compares motor and encoder throughout.
`trust` is the one place where trust in the position is lost; `stops` counts stops, so that nothing asked for before one
begins after it. What turns obeys the same rules (`bench/rings`).
`homing` finds the switch and the reference mark, `figures` are the speeds, tolerances and limits.
"""
