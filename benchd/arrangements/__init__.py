"""What stands where on a bench: one module an arrangement, found by the entry point group `benchd.arrangements`.

`arrangement` says what each has to answer: where the image lies that is looked for (the conjugate term and terms of its
own), how carriage, depth and offset belong together (`places`), how wide the curve is, what it cannot tell, and its
keys in the bench file; it is asked about a `setup_document`, which says what a person has put on the bench. `conjugate`
is what several share, `registry` finds them, `guarded` stands around those of packages. The datum chain, the set-up and
the questions ask an arrangement and know none by name.
"""
