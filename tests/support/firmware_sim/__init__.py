"""Helpers for the tests that run the compiled sketch on a simulated bench."""
