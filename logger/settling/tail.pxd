# Types for compiling tail.py; where nothing is compiled nobody reads this.
cimport cython
from libc cimport math
from logger.settling.sums cimport Curves, Sums, risk_of, zeros

cdef double LONG_AGO, NEVER
cdef object ROOM
cdef double[::1] NOTHING

cdef class Noise:
    cdef public double variance, weight, eta, step, copies, distrust, horizon

cdef class Tails:
    cdef public list times_s, log_prior
    cdef public double[::1] spread
    cdef public double doubt, modest
    cdef public Py_ssize_t sizes

cdef class Estimate:
    cdef public double value, u, claimed, risk, now, slope, u_slope, samples, span_s, variance, scatter, eta, wander
    cdef public Py_ssize_t count, changes, crossings
    cdef double[::1] kinds

    @cython.locals(i=Py_ssize_t)
    cpdef list weights(self)
    @cython.locals(made=Estimate)
    cpdef Estimate other(self, double value, double u, double risk, double now)

@cython.locals(
    sums=Sums, least=double, wide=double, count=Py_ssize_t, per_cell=double, eta=double, rounding=double,
    share=double, kappa=double, scale=double, more=double, origin=double, i=Py_ssize_t, times=list,
    kinds=double[::1], found=Estimate,
)
cpdef Estimate estimate(
    const double[::1] t, const double[::1] x, const double[::1] w, Noise noise, Tails tails, double band,
    double tolerance, Curves curves=*
)

cdef double _least_variance(Noise noise)

@cython.locals(
    steady=double, per_cell=double, age=double, tau=double, first=double, always=double, most=double, slow=Py_ssize_t,
    k=Py_ssize_t, i=Py_ssize_t, square=double, reach=double, wide=double, size=double, shown=double, clear=double,
    pull=double, before=double, after=double, b=double, ahead=double, evidence=double, likely=double,
    whole=double, value=double, variance=double, share_of=double, off=double, log_p=double[::1], values=double[::1],
    to_go=double[::1], known=double[::1], told=double[::1], times=list, log_prior=list, spread=double[::1],
    found=double[::1], kind=Py_ssize_t, sizes=Py_ssize_t, line=Py_ssize_t, doubt=double,
)
cdef double[::1] _weigh(Sums sums, Tails tails, double scale, double share)

cpdef Estimate together(Estimate own, Estimate beside, Estimate shared, double sign, double tolerance)

@cython.locals(square=double, ratio=double)
cdef double _undithered(double variance, double copies, double step)
