"""The engine: readings go in, events come out; no clock, socket, file or chance in here."""
