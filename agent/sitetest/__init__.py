"""sitetest: scripted throughput tests for whoever installs and looks after Wi-Fi."""

__version__: str


def __getattr__(name: str) -> str:
    """Look up ``__version__`` when it is first asked for: `importlib.metadata` takes longer than all of ``--help``."""
    if name == "__version__":
        from importlib.metadata import version  # noqa: PLC0415

        globals()[name] = version("sitetest")
        return str(globals()[name])
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
