"""Sheets for site visits: one printed page a candidate home, made from a finished GeoPackage alone."""
