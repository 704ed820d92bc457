"""The pages of the dock, by the titles on their tabs."""

PAIRS, LAYERS, SOLUTION, SETTINGS, ACCEPTED = (
    "Pairs", "Layers", "Solution", "Site settings", "Accepted")
#: Before the title of a page in a link that leads there.
PAGE_LINK = "page:"
