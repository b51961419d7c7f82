"""Judge of ``drawbench import``: generated files of which it is known what a careful person could know of them."""
