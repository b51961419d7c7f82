"""The probe board: its sketch, its line protocol and a simulated twin."""
