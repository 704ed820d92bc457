"""The site book: one GeoPackage per job with everything that happened, and a ledger that proves it.

The tables are described in docs/site_book.md.
"""

from .book import SiteBook
from .issued import IssuedOff, IssuedPoint
from .ledger import Entry, Head
from .verify import Problem, Verification, verify

__all__ = [
    "Entry", "Head", "IssuedOff", "IssuedPoint", "Problem", "SiteBook", "Verification", "verify",
]
