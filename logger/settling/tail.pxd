# Types for compiling tail.py; where nothing is compiled nobody reads this.
cimport cython
from libc cimport math
from logger.settling.sums cimport Sums, risk_of

cdef double LONG_AGO, NEVER

@cython.locals(
    sums=Sums, least=double, wide=double, count=Py_ssize_t, per_cell=double, eta=double, rounding=double,
    share=double, kappa=double, scale=double, more=double, origin=double, v=double, times=list, spread=list,
)
cpdef estimate(const double[::1] t, const double[::1] x, const double[::1] w, noise, tails, double band)

cdef double _least_variance(noise)

@cython.locals(
    steady=double, per_cell=double, age=double, tau=double, first=double, always=double, most=double, slow=Py_ssize_t, k=Py_ssize_t,
    i=Py_ssize_t, square=double, reach=double, wide=double, size=double, shown=double, clear=double,
    pull=double, before=double, after=double, b=double, ahead=double, evidence=double, likely=double,
    whole=double, value=double, variance=double, share_of=double, off=double, log_p=double[::1], values=double[::1],
    own=list, to_go=double[::1], known=double[::1], told=double[::1], p=list, offsets=list, line=list,
    kind=Py_ssize_t,
)
cdef _weigh(
    Sums sums, list times, list log_prior, list spread, double doubt, double scale, double share
)

@cython.locals(square=double, ratio=double)
cdef double _undithered(double variance, double copies, double step)
