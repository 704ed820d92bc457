"""Sitetie: ties GNSS positions to a job's own site grid. A QGIS plugin with a pure-Python core."""


def classFactory(iface):  # noqa: N802 (the name QGIS calls)
    """Make the plugin; QGIS calls this when it loads it. Nothing heavy is imported before."""
    from .plugin.plugin import SitetiePlugin

    return SitetiePlugin(iface)
