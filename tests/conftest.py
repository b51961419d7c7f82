"""What every test needs: Ctrl-C reaches the programs that tests start."""

import signal

# Started in the background of a script, we have SIGINT ignored, and so would every program we start:
# a test that ends one with Ctrl-C would wait for ever.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
