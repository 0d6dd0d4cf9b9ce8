"""Design alignment, slabs, survey and verdicts: numbers only, no pictures."""
