# Types for compiling watch.py; where nothing is compiled nobody reads this.
cimport cython
from libc cimport math
from logger.settling.kept cimport Kept
from logger.settling.cells cimport Cells
from logger.settling.noise cimport NoiseLearner

cdef class Watch(Kept):
    cdef public object settings
    cdef public Cells cells
    cdef public NoiseLearner noise
    cdef public double level, sd, wander, _up, _down
    cdef public Py_ssize_t off, _up_from, _down_from
    cdef double _close_sigma, _close_d, _watch_s, _most, _slack, _alarm

    cdef _begin(self)

    cpdef reset(self)
    cpdef moved_up(self, Py_ssize_t places)
    @cython.locals(cells=Cells, n=Py_ssize_t, r=double, sd=double, far=double, limit=double, gone=double)
    cpdef take(self)
    @cython.locals(sd=double, far=double)
    cpdef double limit(self) except -1
    @cython.locals(cells=Cells, limit=double, last=Py_ssize_t, i=Py_ssize_t)
    cpdef Py_ssize_t undisturbed(self, Py_ssize_t n) except -1
    @cython.locals(slack=double, here=Py_ssize_t)
    cdef _cusum(self, double z)
    @cython.locals(n=Py_ssize_t, m0=double, w0=double, m1=double, w1=double, far=double, eta=double, per=double, se=double)
    cdef bint _shifted(self, Py_ssize_t start) except -1
    @cython.locals(cells=Cells, limit=double)
    cpdef bint left(self, late) except -1
    @cython.locals(first_ns=cython.longlong, last_ns=cython.longlong, gone_s=double, crept=double)
    cpdef bint apart(self, old, double value, double u) except -1
    cdef double _sure(self, old, double u) except? -1
    cpdef bint same(self, old, value, u, long long from_ns, bint wide) except -1
