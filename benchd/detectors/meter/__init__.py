"""The light that passes a slit on which the lens images another, as a meter tells it: a photodiode and its amplifier.

Where the image is sharp most passes. What is read is freed of the level without light, which is read with the lamp out,
and of the lamp's own drift, by a second meter that sees the lamp alone or by going back to one place again and again.
"""
