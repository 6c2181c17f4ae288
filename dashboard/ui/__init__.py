"""Parts that pages share: numbers and times in words, plots, drawings, fields and sentences."""
