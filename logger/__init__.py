"""Capture: port, line protocol, run store, import of foreign text."""
