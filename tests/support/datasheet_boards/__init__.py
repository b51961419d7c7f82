"""Boards, packs and loads as the chips' data sheets have them, for judging what the tool says of its runs.

Imports nothing of ``analysis``, ``logger`` or ``firmware_probe``, and takes no figure from them: what is
judged here must not be judged by its own model. Figures are from the chips' data sheets (tests/SOURCES.md
C1, C3, C4 and C5 where they are there, else from memory, as each says), from JCGM 100 and from physics.

``sheets`` limits of the chips; ``errors`` boards drawn within them; ``loads`` true I(t) with its integrals
in closed form; ``packs`` true V(t); ``record`` conversions, registers and windows of a board in such a
world; ``truth`` what it should have said; ``bench`` readings for a zero and beside a meter; ``lines`` the
same windows in the line protocol.
"""
