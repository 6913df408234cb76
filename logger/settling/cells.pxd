# Types for compiling cells.py; where nothing is compiled nobody reads this.
cimport cython

cdef class Cell:
    cdef readonly double t_s, value
    cdef readonly Py_ssize_t n
    cdef readonly long long first_ns, last_ns

cdef class Cells:
    cdef public Py_ssize_t n, taken
    cdef public double mean_n
    cdef public object t, x, w, first, last, parts
    cdef tuple _columns
    cdef double[::1] t_of, x_of, w_of
    cdef long long[::1] first_of, last_of
    cdef double[:, ::1] parts_of

    cdef _look(self)
    @cython.locals(moved=Py_ssize_t, i=Py_ssize_t, k=Py_ssize_t)
    cpdef Py_ssize_t append(self, Cell cell, parts=*) except -1
    @cython.locals(keep=Py_ssize_t, i=Py_ssize_t, j=Py_ssize_t)
    cpdef drop(self, Py_ssize_t count)
    @cython.locals(count=Py_ssize_t)
    cpdef Py_ssize_t index_after(self, long long t_ns) except -1
    @cython.locals(at=Py_ssize_t, oldest_s=double)
    cpdef Py_ssize_t since(self, double age_s) except -1
    cpdef double newest(self) except? -1
    @cython.locals(least=double, most=double, here=double, i=Py_ssize_t)
    cpdef double spread(self, Py_ssize_t lo, Py_ssize_t hi) except? -1
    @cython.locals(total=double, count=Py_ssize_t, i=Py_ssize_t)
    cpdef double middle(self, Py_ssize_t lo, Py_ssize_t hi, double far) except? -1
    @cython.locals(back=Py_ssize_t, gone=double)
    cpdef double step_s(self) except? -1
    @cython.locals(weight=double, total=double, here=double, i=Py_ssize_t)
    cpdef tuple mean(self, Py_ssize_t lo, Py_ssize_t hi, double far)
    @cython.locals(before=double, after=double)
    cpdef bint blow(self, Py_ssize_t i, double far) except -1
    @cython.locals(
        last_s=double, last=double, total=double, middle=double, weight=double, ctt=double, product=double, age=double,
        lever=double, i=Py_ssize_t,
    )
    cpdef tuple slope(self, Py_ssize_t n)
    @cython.locals(
        half=Py_ssize_t, quarter=Py_ssize_t, i=Py_ssize_t, j=Py_ssize_t, k=Py_ssize_t, a=double, b=double,
        t=double[::1], x=double[::1], parts=double[:, ::1],
    )
    cdef Py_ssize_t _merge(self) except -1
    @cython.locals(samples=double, most=double, i=Py_ssize_t)
    cpdef tuple behind(self, Py_ssize_t lo, double value)
    @cython.locals(lo=Py_ssize_t, hi=Py_ssize_t, count=Py_ssize_t)
    cpdef part_means(self, long long from_ns, long long to_ns)

cdef class Trail:
    cdef public Py_ssize_t count
    cdef Py_ssize_t _n
    cdef object _t, _x, _off, _off_s
    cdef double[::1] _t_of, _x_of
    cdef readonly double[::1] off, off_s
    cdef _look(self)
    cpdef append(self, Cell cell)
    @cython.locals(n=Py_ssize_t, lo=Py_ssize_t, oldest_s=double)
    cpdef tuple lately(self, double age_s, Py_ssize_t less=*)
    @cython.locals(lo=Py_ssize_t, i=Py_ssize_t)
    cpdef look_back(self, double here)
    @cython.locals(most=double, i=Py_ssize_t)
    cpdef double farthest(self) except? -1
