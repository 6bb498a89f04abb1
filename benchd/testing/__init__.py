"""For authors of drivers: the conformance kit, a byte peer on a pseudo-terminal, and a fixture that finds leaks.

Needs pytest and pytest-asyncio (mode auto). Importing a module of this room imports nothing of any driver.
"""
