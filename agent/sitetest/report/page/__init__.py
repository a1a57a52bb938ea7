"""The document for the client: what is known -> what is said -> one page. May import what `report` may, and jinja2."""
