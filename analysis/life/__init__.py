"""How long do things live, from a handful that did: numerics only, no wires in it."""
