"""One stay at a location: preflight, conductor, retry rule, events. Never imports typer, rich or pandas."""
