"""When was a foreign row written? Its time column found, read and put in order."""
