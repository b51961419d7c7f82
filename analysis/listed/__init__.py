"""What a budget file lists: parts, wires and supply, each checked with its line in the file."""
