"""The pages of the dock, by the titles on their tabs."""

from ..translation import tr

PAIRS, LAYERS, SOLUTION, SETTINGS, ACCEPTED = (
    tr("Pairs"), tr("Layers"), tr("Solution"), tr("Site settings"), tr("Accepted"))
#: Before the title of a page in a link that leads there.
PAGE_LINK = "page:"
