"""Readings in, findings out: one module per question of the job. Pure: no I/O, no clock, no asyncio."""
