"""What the person must know before printing: said in the summary, the docs and the toolpath."""

from __future__ import annotations

CAUTIONS = (
    "The machine is hot and moves fast: keep hands, hair and sleeves out of it.",
    "Stay with it for the first layers and do not leave it running alone.",
    "Keep to the limits in the machine's manual and to the rules of the place.",
)

STAYS_IN_FORCE = (
    "the ramp's last command stays in force after the print; set the printer's own values again"
)

SERVES_BOTH = (
    "the command text names no axis by {axis} or {axis_lower}: it must set X and Y at once, or one "
    "of the two has no ramp"
)

OTHER_AXIS_OFF = (
    "one axis has no ramp: switch its shaper off for this print, as the scan takes it to be"
)

SPOILERS = (
    ("minimum layer time", "slows short layers down: switch it off for this print"),
    ("speed caps", "for outer walls, small parts, bridges or flow: set them above the plan"),
    ("several walls", "a second wall hides the ripple: one wall, no infill, no top"),
    ("seam in mid-face", "put it on a corner, or print as a spiral"),
    ("pressure compensation off", "bulges at the corners: leave it on, as tuned"),
    ("scaling", "the tower must come out at 100 %, in mm"),
    ("no cooling", "a layer takes only seconds: let the fan blow as for small parts"),
)
"""Settings that silently spoil a tower, and what to do: (name, advice)."""
