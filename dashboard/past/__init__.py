"""Past: any quantity over any span, the climate record, and downloads."""
