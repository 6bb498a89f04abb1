"""The datum chain: where the carriage must stand, from what is on the bench, and how sure that is. Nothing here moves.

`current_setup` keeps the set-up in force; a change of it is checked whole, works out the chain anew and is refused
where `clearance` finds no room. `chain` adds up the terms: lengths, glass, joints, expansion and gauge
(`chain_terms`), what the arrangement brings, the position's own (`position_terms`), what is bounded and not measured
(`bounded_terms`); `chain_notes` says what makes it relative. `calibration` is what the record has in force,
`artefacts` names what there is to calibrate, `beside_stated` holds one against what is stated of the same thing,
`gauge_check` tells whether a gauge follows the carriage, `feasibility` whether any lens could pass, `wall_distance`
what a change does to distance and magnification, `glass_residual` what a plate leaves beside the one a lens was
designed for.
"""
