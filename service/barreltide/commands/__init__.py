"""What stands behind the command line, a module a command, and a command's way to the running service."""
