# Types for compiling pipeline.py; where nothing is compiled nobody reads this.
cimport cython
from logger.settling.car cimport Car
from logger.settling.kept cimport Kept
from logger.settling.pad cimport Pad

cdef class Pipeline(Kept):
    cdef public object settings, prior
    cdef public dict pads
    cdef public Car car
    cdef public long long _cell_ns, _next_ns

    @cython.locals(
        out=list, pads=list, starts=list, ends=list, plain=list, ticks=list, readings=list,
        every=list, bounds=list, k=Py_ssize_t,
        i=Py_ssize_t, lo=Py_ssize_t, pad=Pad,
    )
    cpdef list feed_block(self, block)
    @cython.locals(pad=Pad, t=cython.longlong, told=list, out=list)
    cdef list _sample(self, sample)
    @cython.locals(end=cython.longlong, pad=Pad, told=list, out=list)
    cdef list _tick(self, long long now_ns)
    @cython.locals(pad=Pad)
    cdef _share_resolution(self)
