"""How far off can a number be? The one place for all uncertainty. Uses no other room of analysis."""
