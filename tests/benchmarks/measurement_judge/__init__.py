"""Judge of what the tool says a run measured: boards from the chips' data sheets, the tool behind an adapter.

``cases`` boards, packs and loads; ``oracle`` how wide an interval must be for the same errors; ``score`` the table.
Nothing here imports ``analysis``, ``logger`` or ``firmware_probe`` (the test of the generated lines reads
them with the tool's decoder); ``measurement_adapter`` and ``recorded_adapter`` beside this folder do.
"""
