# Types for compiling resolution.py; where nothing is compiled nobody reads this.
cimport cython
from libc cimport math
from logger.settling.kept cimport Kept

cdef long long SLOWEST_DISPLAY_NS
cdef double HELD_MOST
cdef Py_ssize_t OFTEN, FEW_CHANGES

cdef class Resolution(Kept):
    cdef public double value, hold_s, _now, _before, _divisor, _held
    cdef public Py_ssize_t seen, _changes, _often
    cdef public bint known
    cdef public long long _changed_ns
    cdef public list _holds, _group

    cpdef see(self, double step, double size, long long t_ns)
    cpdef bint vague(self) except -1
    cdef _judge(self)
    @cython.locals(least=double)
    cdef _settle(self)

@cython.locals(ranked=list, half=Py_ssize_t)
cpdef double middle(list values) except? -1
