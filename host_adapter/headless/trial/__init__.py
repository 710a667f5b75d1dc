"""`footroom trial`: does dithering the requantise pay, on this picture, through this delivery codec?

`material` brings frames, `measure` says what a requantise left in them, `coding` sends them through a codec, `running` puts these together
into a `result.Trial`, `verdict` says what it amounts to, `pictures` draws it. A Trial is data: whoever reports it needs nothing else.
"""
