"""Bays forward strikes to a shop."""
