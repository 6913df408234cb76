# Types for compiling prior.py; where nothing is compiled nobody reads this.
cimport cython
from logger.settling.kept cimport Kept
from logger.settling.sums cimport latest_beyond, spreads

cdef double MOVING_BANDS

cpdef Py_ssize_t stirred(const double[::1] behind, double band) except -1

cdef class TailPrior(Kept):
    cdef public object settings, _first, _counts, _told
    cdef public list times_s, sizes, log_prior

    @cython.locals(still_s=double, least=double)
    cpdef tails(
        self, const double[::1] behind, const double[::1] behind_s, double now_s, Py_ssize_t latest, double band
    )
