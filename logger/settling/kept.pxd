# Types for compiling kept.py; where nothing is compiled nobody reads this.

cdef class Kept:
    pass
