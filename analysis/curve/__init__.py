"""Which shape has the discharge, what internal resistance, which kind of load?"""
