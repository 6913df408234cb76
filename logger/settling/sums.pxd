# Types for compiling sums.py; where nothing is compiled nobody reads this.
cimport cython
from libc cimport math

cdef double LONGEST_AGO, WANDER_S
cdef Py_ssize_t LEAST

cdef class Curves:
    cdef public Py_ssize_t have
    cdef Py_ssize_t room
    cdef double[::1] values

    @cython.locals(
        kinds=Py_ssize_t, have=Py_ssize_t, long_ago=double, k=Py_ssize_t, i=Py_ssize_t, at=Py_ssize_t, tau=double,
        past=double, curve=double, values=double[::1],
    )
    cdef reach(self, list times_s, double[::1] age, Py_ssize_t use, Py_ssize_t room)

cdef class Sums:
    cdef readonly Py_ssize_t count, use, crossings
    cdef readonly double per_cell, samples, span_s, oldest_s, weight_sum, steady, touch, loose
    cdef readonly double variance, scatter, eta, fall, lever, wander, swings
    cdef public double mean, mixed, to_go
    cdef readonly Py_ssize_t slow
    cdef readonly Curves own
    cdef double[::1] lean, squares, size, pull, front, known, told, log_p, values, ahead
    cdef Py_ssize_t _room
    cdef double[::1] _age, _y, _weight, _left, _curves

    cdef _make(self, Py_ssize_t room)
    cdef _make_tails(self, Py_ssize_t slow, Py_ssize_t kinds)
    cpdef make_room(self, Py_ssize_t slow, Py_ssize_t sizes)
    @cython.locals(
        n=Py_ssize_t, i=Py_ssize_t, lately=Py_ssize_t, count=Py_ssize_t, use=Py_ssize_t,
        age=double[::1], y=double[::1], weight=double[::1], last_s=double, last=double, total=double,
        middle=double, slack=double, far=double, doubt=double, off=double, samples=double, here=double,
        weigh=double,
    )
    cpdef near(
        self, const double[::1] t, const double[::1] x, const double[::1] w,
        double least, double distrust, double horizon, double band,
    )
    @cython.locals(
        kinds=Py_ssize_t, use=Py_ssize_t, room=Py_ssize_t, i=Py_ssize_t, k=Py_ssize_t, at=Py_ssize_t,
        curves=double[::1], age=double[::1], weight=double[::1], y=double[::1], total=double, mean=double,
        values=double[::1], f0=double, ff=double, fy=double, level=double, curve=double, own=double,
        fast=double, product=double, heavy=double, held=double, square=double,
    )
    cpdef fit(self, list times_s, double soft, Curves known)
    @cython.locals(
        best=Py_ssize_t, k=Py_ssize_t, at=Py_ssize_t, i=Py_ssize_t, most=double, size=double, square=double,
        lean=double, touch=double, left=double[::1], y=double[::1], curves=double[::1],
    )
    cdef _residuals(self, double mean)
    @cython.locals(
        count=Py_ssize_t, crossings=Py_ssize_t, i=Py_ssize_t, left=double[::1], weight=double[::1],
        newest=double, rough=double, here=double, before=double, w1=double, w0=double, step=double,
        raw=double,
    )
    cpdef scatters(self, double known, double worth, double eta)
    @cython.locals(
        count=Py_ssize_t, i=Py_ssize_t, age=double[::1], weight=double[::1], y=double[::1], total=double,
        middle=double, lever=double, product=double, centred=double,
    )
    cpdef slopes(self)
    @cython.locals(found=Py_ssize_t, i=Py_ssize_t, y=double[::1])
    cpdef Py_ssize_t changes(self)
    @cython.locals(
        count=Py_ssize_t, i=Py_ssize_t, seconds=Py_ssize_t, within=Py_ssize_t, second=Py_ssize_t,
        now=Py_ssize_t, crossings=Py_ssize_t, age=double[::1], left=double[::1], means=double[::1],
        total=double, middle=double, square=double, more=double,
    )
    cpdef wanders(self, double white)

@cython.locals(count=Py_ssize_t, i=Py_ssize_t, at=Py_ssize_t, here=double)
cdef double _middle(const double[::1] x, Py_ssize_t n, double[::1] ranked)

cpdef double[::1] zeros(Py_ssize_t size)

@cython.locals(risk=double, q=double, o=double, v=double, scale=double, i=Py_ssize_t)
cpdef double risk_of(double limit, const double[::1] kinds, double more, double never)

@cython.locals(
    kinds=Py_ssize_t, i=Py_ssize_t, k=Py_ssize_t, enough=double, off=double, age=double, fade=double,
    most=double, caused=double, left=double, size=double, tau=double,
)
cpdef spreads(
    double[::1] found, const double[::1] behind, const double[::1] behind_s, double now_s, double[::1] times_s,
    list sizes, double least, double still_s, double floor,
)

@cython.locals(i=Py_ssize_t)
cpdef Py_ssize_t latest_beyond(const double[::1] values, double limit)
