"""Metrology, pure: uncertainty budgets, best focus from a sweep, repeats, the decision rule, shims.

Follows JCGM 100, 101 and 106; each function names the clause it rests on. No I/O, no clock, no random draws.
"""
