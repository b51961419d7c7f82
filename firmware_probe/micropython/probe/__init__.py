"""The probe's firmware for boards that run an interpreter of Python; speaks PROTOCOL.md."""
