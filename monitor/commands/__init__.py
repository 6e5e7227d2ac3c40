"""One module a command (or a family); each has `register(app)` and imports only typer at its top."""
