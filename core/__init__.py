"""The computing: pure Python with numpy and pyproj, no QGIS."""
