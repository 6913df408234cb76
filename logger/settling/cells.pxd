# Types for compiling cells.py; where nothing is compiled nobody reads this.
cimport cython

cdef class Cells:
    cdef public Py_ssize_t n, taken
    cdef public double mean_n
    cdef public object t, x, w, first, last, parts
    cdef tuple _columns
    cdef double[::1] _t, _x, _w
    cdef long long[::1] _first, _last

    cdef _look(self)
    @cython.locals(i=Py_ssize_t)
    cpdef Py_ssize_t append(self, cell, parts=*) except -1
    @cython.locals(count=Py_ssize_t)
    cpdef Py_ssize_t index_after(self, long long t_ns) except -1
    @cython.locals(at=Py_ssize_t, oldest_s=double)
    cpdef Py_ssize_t since(self, double age_s) except -1
    cpdef double newest(self) except? -1
    @cython.locals(least=double, most=double, here=double, i=Py_ssize_t)
    cpdef double spread(self, Py_ssize_t lo, Py_ssize_t hi) except? -1
    @cython.locals(total=double, i=Py_ssize_t)
    cpdef double middle(self, Py_ssize_t lo, Py_ssize_t hi) except? -1
    @cython.locals(back=Py_ssize_t, gone=double)
    cpdef double step_s(self) except? -1
    @cython.locals(weight=double, total=double, here=double, i=Py_ssize_t)
    cpdef tuple mean(self, Py_ssize_t lo, Py_ssize_t hi)

cdef class Trail:
    cdef public Py_ssize_t _n
    cdef public object _t, _x
    cdef double[::1] _at, _value
    cdef _look(self)
    cpdef append(self, cell)
