"""The usual cautions, each where the work is.

Common practice, no source; local codes and licensed practice come first.
"""

from __future__ import annotations

from typing import Final

ARC: Final = (
    "Helmet, gloves, covered skin; screens for others. The arc burns eyes and skin in seconds.",
    "Fume: weld with extraction or in moving air, head out of the plume; read the wire's safety sheet.",
    "Fire: clear the area, keep an extinguisher, stay and watch after the last arc. Coupons stay hot for a long time.",
    "Shock: dry gloves, sound leads, machine off before you touch its inside. Wiring is for a licensed electrician.",
    "No coated, plated or solvent-wet steel: clean bare metal only.",
)
"""Before the arc."""

SUPPLY: Final = (
    "Nothing else on the circuit. Stay inside the machine's duty cycle.",
    "After a trip: let breaker and machine cool, reset once. If it trips again at that setting, that setting is done: "
    "write it down and go on to the next weld.",
    "Never fit a larger breaker or a thinner cord, and never bypass a cut-out. Ask a licensed electrician.",
)
"""The supply."""

CUTTING: Final = (
    "Cut and grind only what has gone cold: steel stays hot long after it looks it, and gets hot again under the disc.",
    "Cutting and grinding: guard on, the disc’s rated speed not exceeded, work clamped; eyes, ears, breath and hands "
    "protected; sparks away from people and from anything that burns.",
)
"""Cutting and grinding the section."""

ETCHING: Final = (
    "Etching is work with acid. This program gives no recipe: the supplier’s data sheet and your local rules come "
    "first; where you cannot follow them, have it etched by a laboratory.",
)
"""Etching at the bench."""

SECTION: Final = (
    "Cut cold, well away from start and stop; grind with eye and hand protection.",
    "Etching: follow the safety sheet of the etchant you or your laboratory use: eyes, hands, air, no acid near "
    "food or children. Write down which one it was.",
)
"""The section."""

SCOPE: Final = (
    "A coupon test is a shop setting. It qualifies neither a welding procedure nor a welder; where a code applies, "
    "the code decides.",
)
"""What the answer is not."""

BEFORE_THE_ARC: Final = (
    "work clamp on clean metal, same place each time",
    "polarity as the wire's sheet says",
    "tip and drive rolls clean and right for the wire",
    "gas on, flow written down",
    "travel speed and gun angle as for the job",
)
"""Checked before the first weld of a session."""

BETWEEN_WELDS: Final = (
    "turn both dials away and back to the mark",
    "measure stick-out after the weld",
    "mark weld and plate number on the steel",
)
"""Done at every weld, so that each is a fresh setting."""
