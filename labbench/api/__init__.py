"""Endpoints for scripts."""
