"""Simulated hardware: `world` holds the hidden truth, `firmware` puts real bytes on it.

Imports nothing of benchd or its drivers, so that an error in the analysis cannot cancel here.
"""
