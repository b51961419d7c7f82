"""Judge of what the tool says a run measured: boards from the chips' data sheets, the tool behind an adapter.

``cases`` boards, packs and loads; ``oracle`` how wide an interval must be for the same errors; ``score`` the table.
Nothing here imports ``analysis``, ``logger`` or ``firmware_probe``; ``measurement_adapter`` beside this
folder does.
"""
