"""What one visit supports about the AP configs that it compared, from the store, by the plan that was kept with it.

May import comparing, store and the standard library only; pandas comes with it.
"""

from pathlib import Path

from sitetest.cli.visit_session import Session
from sitetest.comparing.campaign import CampaignResult, compare
from sitetest.comparing.pairing import Question
from sitetest.comparing.planned_rules import PLANNED_FACTOR
from sitetest.comparing.site_data import table_of
from sitetest.store.reading import StoreReader, store_path


def visit_verdicts(session: Session, site_dir: Path) -> CampaignResult | None:
    """Return the answer, or None when the plan compares nothing or fewer than two AP configs were tried.

    Other visits of the campaign are left to ``sitetest compare``. Raises StoreError as the store does.
    """
    planned = session.plan.comparison
    tried = {record.ap_config for record in session.attempts}
    if planned is None or planned.reference not in tried or not tried & {*planned.others}:
        return None
    path = store_path(site_dir)
    with StoreReader.read_only(path) as store:
        facts = store.facts(session.visit.visit_id)
    names = (planned.reference, *(name for name in planned.others if name in tried))
    return compare(table_of(facts, str(path)), Question(PLANNED_FACTOR, names))
