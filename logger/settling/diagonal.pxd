# Types for compiling diagonal.py; where nothing is compiled nobody reads this.
cimport cython
from logger.settling.kept cimport Kept
from logger.settling.cells cimport Cell, Cells
from logger.settling.noise cimport NoiseLearner
from logger.settling.prior cimport TailPrior, stirred
from logger.settling.sums cimport Curves
from logger.settling.tail cimport Estimate, Noise, Tails, estimate, together

cdef class Diagonal(Kept):
    cdef public object settings, _moved
    cdef public TailPrior swung, apart
    cdef public list _noises
    cdef public Cells _cells
    cdef public Py_ssize_t _pattern
    cdef dict _fits
    cdef Py_ssize_t _warped, _curves_n
    cdef long long _late_ns
    cdef Curves _curves
    cdef double[::1] _warp, _rest, _off

    cdef _begin(self)
    cpdef feed(self, Cell cell, list loads)
    cpdef forget(self)
    cdef _renew(self)
    cpdef double sign(self, Py_ssize_t pad) except? -1
    @cython.locals(cells=Cells, n=Py_ssize_t, lo=Py_ssize_t, whole=bint)
    cpdef tuple stretch(self, long long from_ns, long long to_ns)
    @cython.locals(
        parts=double[:, ::1], off=double[::1], last=Py_ssize_t, i=Py_ssize_t, k=Py_ssize_t, most=double, band=double,
        each=NoiseLearner,
    )
    cpdef Estimate shared(self, Py_ssize_t lo, Py_ssize_t n)
    @cython.locals(
        learned=NoiseLearner, band=double, parts=double[:, ::1], warp=double[::1], rest=double[::1],
        off=double[::1], sign=double, last=double, i=Py_ssize_t, noise=Noise,
    )
    cpdef Estimate beside(self, Py_ssize_t pad, Py_ssize_t lo, Py_ssize_t n)
    @cython.locals(
        parts=double[:, ::1], warp=double[::1], signs=list, a=double, b=double, c=double, d=double, i=Py_ssize_t
    )
    cdef _find_warp(self, Py_ssize_t n)
    cpdef double band(self, Py_ssize_t pad) except? -1
    @cython.locals(cells=Cells, off=double[::1], now_s=double, tails=Tails)
    cdef Estimate _fit(self, Py_ssize_t lo, Py_ssize_t n, double[::1] x, TailPrior prior, Noise noise, double band)
    @cython.locals(variance=double, eta=double, step=double, learner=NoiseLearner, each=Noise, noise=Noise)
    cdef Noise _quiet(self)
    cpdef learn(self, Estimate beside, Estimate shared)
    @cython.locals(third=Py_ssize_t)
    cpdef pair(self, Py_ssize_t lo, Py_ssize_t n)

cdef class Share(Kept):
    cdef public Diagonal _all
    cdef public Py_ssize_t _pad
    cdef public object _lesson

    @cython.locals(diagonal=Diagonal, lo=Py_ssize_t, n=Py_ssize_t, beside=Estimate, shared=Estimate, joint=Estimate)
    cpdef Estimate refine(self, Estimate own, long long from_ns, long long to_ns, double tolerance)
    cpdef forget(self)
    @cython.locals(lo=Py_ssize_t, n=Py_ssize_t)
    cpdef ended(self, long long from_ns, long long to_ns, bint teaches)
    cpdef learn(self)
