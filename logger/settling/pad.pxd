# Types for compiling pad.py; where nothing is compiled nobody reads this.
# What is raised to a power stays an object, as in channel.pxd.
cimport cython
from libc cimport math
from logger.settling.cells cimport Cell
from logger.settling.channel cimport Channel
from logger.settling.intake cimport Intake, Readings
from logger.settling.kept cimport Kept
from logger.settling.zero cimport ZeroKeeper

cdef class Pad(Kept):
    cdef public object name, settings, origin_ns, rest, condition, temperature_C, _held, _rests
    cdef public Intake intake
    cdef public Channel channel
    cdef public Cell cell
    cdef public ZeroKeeper zero
    cdef public long long wall_offset_ns, _seen_ns
    cdef public bint silent
    cdef public Py_ssize_t _overloads
    cdef public double _checked_s

    @cython.locals(intake=Intake, t=cython.longlong, code=int)
    cpdef list take(self, sample)
    cpdef take_many(self, Readings readings, Py_ssize_t lo, Py_ssize_t hi)
    cdef _out(self, sample, flag)
    cdef list _refused(self, sample, reason)
    cdef _stated(self, resolution_kg)
    @cython.locals(usual=double, gone=double)
    cdef list _gap(self, long long t_ns)
    cpdef list rejected(self, gap)
    @cython.locals(intake=Intake, channel=Channel, cell=Cell, quiet_s=double)
    cpdef list tick(self, long long end_ns, long long now_ns)
    cdef list _go_silent(self)
    cpdef list last_held(self, flag=*)
    cpdef list finish(self)
    cdef list _tell(self, list levels)
    cdef _rest(self, level)
    cdef _seconds(self, t_ns)
    cdef list _step(self, before, after)
    cdef list _knock(self)
    cdef list _condition_now(self, t_ns)
    cdef list _become(self, condition, since_ns, reason)
