# Types for compiling car.py; where nothing is compiled nobody reads this.
# What is raised to a power stays an object, as in channel.pxd.
cimport cython
from logger.settling.cells cimport Cell
from logger.settling.channel cimport Channel
from logger.settling.diagonal cimport Diagonal
from logger.settling.kept cimport Kept
from logger.settling.pad cimport Pad
from logger.settling.zero cimport ZeroKeeper

cdef class Car(Kept):
    cdef public object settings, rest, _level, _rests, on, _history, _origin_ns
    cdef public list pads, _sum, _t, _count
    cdef public Channel channel
    cdef public Diagonal diagonal
    cdef public long long _first_ns, _last_ns
    cdef Py_ssize_t _taken

    @cython.locals(pad=Pad, i=Py_ssize_t, taken=Py_ssize_t, out=list)
    cpdef list tick(self, long long end_ns)
    @cython.locals(pad=Pad, cell=Cell, i=Py_ssize_t, empty=bint, count=list, sums=list, times=list)
    cdef _gather(self)
    cpdef list finish(self)
    @cython.locals(
        counts=list, loads=list, times=list, t=double, total=double, resolution=double, hold_s=double, load=double, i=Py_ssize_t,
        pad=Pad, cell=Cell,
    )
    cdef list _full(self, long long end_ns)
    @cython.locals(total=double, loaded=bint, empty=bint, net=double, i=Py_ssize_t, pad=Pad, zero=ZeroKeeper)
    cdef list _presence(self, list loads, long long end_ns)
    cdef list _tell(self, list levels)
