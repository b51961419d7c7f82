"""The smallest board for tests of the capture side: a pty that speaks the protocol, and can misbehave.

Physics is a formula (a known voltage and current over time), so that the truth of
every charge is known; the full simulated board is ``firmware_probe.simulated_board``.
"""
