"""How is it said and drawn, whatever it is: words, figures, sections, files that hurt nobody's own."""
