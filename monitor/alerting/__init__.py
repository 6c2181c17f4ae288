"""What rules see: of the shop as it is now, and of a stretch of its log."""
