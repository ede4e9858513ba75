"""Tests of strings, expected values and verdicts."""
