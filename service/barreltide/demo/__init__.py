"""An invented garden for a first look: its physics, and the command that sets it going."""
