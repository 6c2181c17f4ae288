"""Tests of the board in a real Chromium. They are a package so that they share one browser."""
