"""A hand test that never was: simulated joints, bent until they are broken or the hand tires.

Same joints as on the simulated rig (``joints``), written as the table a maker fills in.
"""

from collections.abc import Mapping

from firmware_probe.twin.joints import JOINT_KINDS, new_joints

PERIOD_US = 2_000_000
STOP_CYCLES = 5_000
# Specimens of each group of the demo's vest: badly put on relief is among them, as on a real bench.
VEST_SPECIMENS: Mapping[str, int] = {
    "solid": 5,
    "stranded": 5,
    "stranded-relief": 5,
    "bad-relief": 5,
}


def hand_test_table(
    specimens: Mapping[str, int] = VEST_SPECIMENS, seed: int = 24, stop_cycles: int = STOP_CYCLES
) -> str:
    """Table (CSV text) of joints bent over 180 degrees; ``specimens``: how many of each kind of ``JOINT_KINDS``."""
    lines = ["specimen,group,cycles,failed,how"]
    for number, (key, count) in enumerate(specimens.items()):
        kind = JOINT_KINDS[key]
        for place, joint in enumerate(new_joints(kind, count, seed + number), start=1):
            while not joint.broken and joint.cycles < stop_cycles:
                joint.bend(0.0, 180.0, PERIOD_US)
            end = "yes,simulated: broke" if joint.broken else "no,simulated: stopped while whole"
            lines.append(f'{key}-by-hand-{place},"{kind.name}",{joint.cycles},{end}')
    return "\n".join(lines) + "\n"
