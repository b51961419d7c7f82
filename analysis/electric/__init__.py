"""Physics of what a budget lists: wires, thread, LEDs and what cells can give. Plain numbers in, no budget file."""
