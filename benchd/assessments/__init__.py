"""Readings in, findings out: one module per question of the job. Pure: no I/O, no clock, no asyncio."""

ASSESSMENTS = ("adapter_length", "bench_zero", "flange", "glass_toggle")
"""The assessments that a bench can make."""
