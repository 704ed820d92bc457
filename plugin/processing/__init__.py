"""Sitetie's algorithms for QGIS Processing."""
