"""The caution sentences, in one place for the start of a run, every paper and README.

They are reminders. They do not replace the local code, the makers' documents or the judgement of the
licensed or competent person who is responsible for the work.
"""

from __future__ import annotations

from typing import Final

NO_CLAIM: Final = (
    "A grade says how this cell did in this test on this day. It never says that the cell, a rebreather "
    "or a dive is safe, and it does not say how long the cell will stay as it is."
)
DEFER: Final = (
    "Local law and codes, the documents of the makers of cell, rebreather, pot and instruments, and the "
    "judgement of licensed or competent persons go before anything printed here."
)
LIMITS_ARE_THE_SHOPS: Final = "The limits are the workshop's choice. Set them from the cell maker's own data."
OWN_CHECKS: Final = (
    "Anyone who dives with a cell calibrates and checks it before every dive, as the rebreather's maker says."
)
OXYGEN: Final = (
    "Oxygen under pressure makes fires fierce: only parts cleaned and rated for oxygen, no oil or grease, "
    "cylinder valves opened slowly, vent led outdoors, nothing that can spark or glow."
)
PRESSURE: Final = (
    "A pot under pressure can kill: a relief valve that software cannot reach, a regulator that cannot give "
    "more than the pot may take, and a lid that bleeds before it unlatches."
)
SOFTWARE_LIMITS: Final = (
    "Software cannot promise that a valve has moved, that a pot is empty, that a gas is oxygen or that a "
    "part is clean. Look at a dial gauge before opening the lid, and shut the cylinder when you leave."
)
CELL_HANDLING: Final = (
    "Cells hold caustic potassium hydroxide and lead: goggles and gloves, never open one; rinse a splash in "
    "the eye with water for 15 minutes and see a doctor."
)
SIMULATED: Final = "Measured on a virtual bench: this says nothing about a real cell."
REJECT_WASTE: Final = (
    "Do not return this cell to service. It holds lead and caustic potassium hydroxide: do not open it, and "
    "hand it in as hazardous waste by the local rules."
)
REJECT_WASTE_LOT: Final = (
    "Rejected cells do not go back to service. They hold lead and caustic potassium hydroxide: do not open "
    "them, and hand them in as hazardous waste by the local rules."
)
UNGRADED: Final = "This paper gives no grade. It is neither a pass nor a reject: test the cell again."

PAPER: Final[tuple[str, ...]] = (NO_CLAIM, DEFER, OWN_CHECKS, LIMITS_ARE_THE_SHOPS)
START_OF_RUN: Final[tuple[str, ...]] = (OXYGEN, PRESSURE, SOFTWARE_LIMITS, CELL_HANDLING, DEFER)
