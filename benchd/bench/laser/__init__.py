"""The laser in the role `pointer`, lit only while somebody holds it on (`pointer`), and cameras that expose in its dark
(`unlit_camera`).
"""
