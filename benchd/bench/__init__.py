"""The assembled bench: arrangement, datum chain, set-up, closed-loop positioning, clearance, live state."""
