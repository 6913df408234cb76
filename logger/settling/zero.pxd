# Types for compiling zero.py; where nothing is compiled nobody reads this.
# What is raised to a power stays an object, as in channel.pxd.
cimport cython
from libc cimport math
from logger.settling.kept cimport Kept

cdef class ZeroKeeper(Kept):
    cdef public object settings, capacity_kg, checks, _drift2
    cdef readonly bint known
    cdef readonly double zero_kg, checked_s, light_kg
    cdef readonly Py_ssize_t taken

    cdef _look(self)
    @cython.locals(capacity_kg=double, drift=double, near=double, track=double)
    cpdef bint is_empty(self, double wire_kg, double resolution_kg, double t_s) except -1
