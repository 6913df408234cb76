# Types for compiling noise.py; where nothing is compiled nobody reads this.
cimport cython
from libc cimport math
from logger.settling.kept cimport Kept
from logger.settling.cells cimport Cells
from logger.settling.tail cimport Estimate, Noise

cdef class NoiseLearner(Kept):
    cdef public object settings, variance, _calm_of
    cdef public Cells cells
    cdef public double resolution, hold_s, copies, eta, _calm

    cdef double _band_sigma, _finest_share, _likely_d, _unknown_s, _tolerance_sigma, _distrust, _fit_bands

    cdef _begin(self)
    @cython.locals(sigma=double)
    cpdef double band(self) except? -1
    cpdef double finest(self) except? -1
    cpdef double sway(self) except? -1
    cpdef bint rare(self) except -1
    @cython.locals(n=Py_ssize_t)
    cdef double _load(self) except? -1
    @cython.locals(cells=Cells, sigma=double, likely=double, span_s=double, unknown=bint)
    cpdef double sigma(self) except? -1
    @cython.locals(n=Py_ssize_t)
    cdef bint _came(self) except -1
    @cython.locals(sigma=double, d=double)
    cpdef double tolerance(self) except? -1
    @cython.locals(slack=double)
    cpdef bint restless(self, Py_ssize_t least) except -1
    cpdef double calm(self) except? -1
    @cython.locals(noise=Noise, sigma=double)
    cpdef Noise for_fit(self)
    @cython.locals(noise=Noise, reach=object)
    cpdef Noise for_sway(self)
    cpdef learn(self, Estimate fit)
    cpdef bound(self, Estimate fit)
