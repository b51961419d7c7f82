"""The recording, from bytes to rows, unattended; what runs beside it and what the terminal shows."""
