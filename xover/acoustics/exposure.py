"""How long an A-weighted level may be borne, by published rules; a calibrated meter decides.

Each rule is that of its own country or body and counts noise over a working day; none of them
says that a level below it is harmless.
"""

from __future__ import annotations

from typing import Final

NIOSH_CRITERION_DB: Final = 85.0
NIOSH_EXCHANGE_DB: Final = 3.0
OSHA_CRITERION_DB: Final = 90.0
OSHA_EXCHANGE_DB: Final = 5.0
WORKING_DAY_MIN: Final = 480.0
WHO_VENUE_DB: Final = 100.0
"""WHO, Global standard for safe listening venues and events (2022): LAeq over 15 minutes."""
OSHA_CEILING_DB: Final = 115.0
"""29 CFR 1910.95, Table G-16 lists nothing above (from memory)."""


def niosh_permitted_min(a_weighted_db: float) -> float:
    """Minutes a day by NIOSH Pub. 98-126 (1998): 480/2^((L − 85)/3)."""
    return _permitted_min(a_weighted_db, NIOSH_CRITERION_DB, NIOSH_EXCHANGE_DB)


def osha_permitted_min(a_weighted_db: float) -> float:
    """Minutes a day by OSHA 29 CFR 1910.95, Appendix A, Table G-16A: 480/2^((L − 90)/5)."""
    return _permitted_min(a_weighted_db, OSHA_CRITERION_DB, OSHA_EXCHANGE_DB)


def _permitted_min(level_db: float, criterion_db: float, exchange_db: float) -> float:
    return float(WORKING_DAY_MIN / 2.0 ** ((level_db - criterion_db) / exchange_db))
