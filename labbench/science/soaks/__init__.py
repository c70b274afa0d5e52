"""Soaks in a temperature trace: found, measured, judged."""
