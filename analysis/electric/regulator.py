"""A linear regulator's heat: what a small one may turn into heat.

P = (T - Ta) / theta: 125 C at the chip, 40 C under clothing, about 200 K/W from chip to air for the small packages
without heat sink (SOURCES.md E9): 0.42 W.
"""

from typing import Final

USUAL_MW: Final = 400.0
