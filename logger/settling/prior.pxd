# Types for compiling prior.py; where nothing is compiled nobody reads this.
cimport cython
from logger.settling.kept cimport Kept
from logger.settling.sums cimport latest_beyond, spreads
from logger.settling.tail cimport Estimate, Tails

cdef double MOVING_BANDS

cpdef Py_ssize_t stirred(const double[::1] behind, double band) except -1

cdef class TailPrior(Kept):
    cdef public object settings
    cdef public list times_s, sizes, log_prior, _first, _counts, _told
    cdef Tails _tails
    cdef double[::1] _times

    cdef _begin(self)
    @cython.locals(still_s=double, least=double, floor=double, tails=Tails)
    cpdef Tails tails(
        self, const double[::1] behind, const double[::1] behind_s, double now_s, Py_ssize_t latest, double band
    )
    cpdef learn(self, Estimate fit)
