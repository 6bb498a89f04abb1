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
