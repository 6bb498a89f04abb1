"""Pure parts that questions share: the document of a finding, curves and places of a sweep, verdict, what to better.

No I/O, no clock, no asyncio.
"""
