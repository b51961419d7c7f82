"""The bench page: a small web server that shows runs while they are recorded and afterwards."""
