"""Whether a site has results at all, for commands that read them. May import store, errors and the standard library."""

from pathlib import Path

from sitetest.errors import UsageError
from sitetest.store.reading import StoreReader, store_path


def require_results(site_dir: Path) -> Path:
    """Return the path of a site's store. Raises UsageError when there is none: nothing was measured there yet."""
    path = store_path(site_dir)
    if not path.is_file():
        raise UsageError(
            f"There are no results yet: {path} does not exist.",
            "Measure first with `sitetest run`, or name the right folder with --site.",
        )
    return path


def is_empty(site_dir: Path) -> bool:
    """Tell whether a site's store holds no attempt. Raises StoreError."""
    with StoreReader.read_only(store_path(site_dir)) as store:
        return not any(store.attempts(visit.visit_id) for visit in store.visits())
