"""Do the joints last, and is the claim shown? From bench bends to evenings worn."""
