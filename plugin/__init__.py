"""The QGIS side: turns layers into the core's values, calls the core, turns results into layers."""
