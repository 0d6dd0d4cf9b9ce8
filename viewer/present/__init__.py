"""The section for guests: a page, a film, stills and a scene, in words that need no engineer."""
