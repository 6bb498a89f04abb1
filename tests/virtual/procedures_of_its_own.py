"""Procedures that stand beside the virtual bench's file: what those that are shipped do not do."""

from __future__ import annotations

PROCEDURES = {
    "there_and_back": """\
procedure: there_and_back
title: Out, and back in the end
needs: {roles: [carriage, target_light]}
steps:
  - home: {axes: [carriage], only_if_unhomed: true}
  - move: {axis: carriage, carriage_um: 12000}
  - call: {procedure: lit_for_a_while}
  - move: {axis: carriage, carriage_um: 16000}
  - ask: {name: go_on, kind: confirm, text: "Go on?"}
  - move: {axis: carriage, carriage_um: 20000}
finally:
  - move: {axis: carriage, carriage_um: 8000}
""",
    "asked_thrice": """\
procedure: asked_thrice
title: One question after the other, and ways between
needs: {roles: [carriage]}
steps:
  - home: {axes: [carriage], only_if_unhomed: true}
  - ask: {name: first, kind: confirm, text: "Ready?"}
  - ask: {name: second, kind: confirm, text: "Truly?"}
  - move: {axis: carriage, carriage_um: 11000}
  - ask: {name: third, kind: confirm, text: "On?"}
  - move: {axis: carriage, carriage_um: 9000}
""",
    "base_loosened": """\
procedure: base_loosened
title: The zero is withdrawn, and the lens that stands is measured without it
needs: {roles: [carriage, target_light, detector]}
steps:
  - home: {axes: [carriage], only_if_unhomed: true}
  - withdraw: {artefact: bench-zero}
  - light: {light: target_light, level: 0.4}
  - nominal: {}
  - sweep: {merit: auto}
  - assess: {name: flange}
finally:
  - light: {light: target_light, level: 0}
""",
    "lit_for_a_while": """\
procedure: lit_for_a_while
title: Lit for some seconds
needs: {roles: [target_light]}
steps:
  - light: {light: target_light, level: 0.7}
  - wait: {for_s: 4}
finally:
  - light: {light: target_light, level: 0}
""",
}
