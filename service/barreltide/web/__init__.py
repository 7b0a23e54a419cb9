"""The pages and the documented JSON."""
