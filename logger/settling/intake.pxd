# Types for compiling intake.py; where nothing is compiled nobody reads this.
cimport cython
from libc cimport math
from logger.settling.kept cimport Kept
from logger.settling.resolution cimport Resolution, middle

cdef class Readings:
    cdef const double[::1] x
    cdef const long long[::1] t_ns, wall_offset_ns

cdef class Intake(Kept):
    cdef public object settings, excluded, stated_d
    cdef public Resolution resolution
    cdef public double kin_d, held, interval_s, jump, _digits, _last, _before, _base, _sum, _t_sum
    cdef public bint holds
    cdef public long long held_ns, last_ns, _first_ns, _end_ns
    cdef public list _start
    cdef public Py_ssize_t _n

    cpdef str refuse(self, mass_kg, long long t_ns, long long flags)
    @cython.locals(step=double, result=int)
    cpdef int add(self, double x, long long t_ns) except -1
    @cython.locals(i=Py_ssize_t)
    cpdef add_many(self, Readings readings, Py_ssize_t lo, Py_ssize_t hi)
    @cython.locals(held=double, off=double, calm=double, same_side=bint)
    cdef bint _resolve(self, double x) except -1
    cpdef drop_held(self)
    @cython.locals(step=double, gone=double)
    cdef _accept(self, double x, long long t_ns)
    cdef _learn_jump(self, double x)
    @cython.locals(jump=double)
    cpdef know_noise(self, double sigma, double resolution)
    @cython.locals(n=Py_ssize_t, t=double)
    cpdef cell(self, long long origin_ns)
