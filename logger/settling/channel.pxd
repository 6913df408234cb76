# Types for compiling channel.py; where nothing is compiled nobody reads this.
# What is raised to a power stays an object: C multiplies, Python calls a function whose last bit may differ.
cimport cython
from logger.settling.kept cimport Kept
from libc cimport math
from logger.settling.cells cimport Cell, Cells, Trail
from logger.settling.diagonal cimport Share
from logger.settling.noise cimport NoiseLearner
from logger.settling.prior cimport TailPrior, stirred
from logger.settling.sway cimport beyond_noise, breath_s, sway_cells, sways, swung_back
from logger.settling.tail cimport Estimate, Noise, Tails, estimate
from logger.settling.watch cimport Watch

cdef class Channel(Kept):
    cdef public object settings, level, last, _late, _before
    cdef public Estimate _lesson
    cdef public TailPrior prior
    cdef public Cells cells
    cdef public NoiseLearner noise
    cdef public Share share
    cdef public Watch _watch
    cdef public Trail _trail
    cdef public double knock, _peak, _told_s, _look_s
    cdef public long long knock_ns, _peak_ns
    cdef public bint _wide, _owes
    cdef public Py_ssize_t _stirred, _until_fit, _samples
    cdef public long long _tried

    cpdef list feed(self, Cell cell, long long end_ns, parts=*)
    cpdef list end(self, str why)
    cpdef list break_off(self)
    @cython.locals(by_time=Py_ssize_t, by_count=Py_ssize_t)
    cdef Py_ssize_t _least(self) except -1
    @cython.locals(cells=Cells, least=Py_ssize_t, fit=Estimate)
    cdef list _seek(self, long long end_ns)
    @cython.locals(near=bint, sure=bint, swayed=bint, patient=double)
    cdef list _standing(self, Estimate fit, long long end_ns)
    @cython.locals(noise=NoiseLearner, few=bint, creeps=bint, still=bint)
    cdef bint _stands(self, Estimate fit) except -1
    @cython.locals(off=double)
    cdef bint _goes_on(self, Estimate fit) except -1
    cdef double _cell_sd(self, Estimate fit) except? -1
    @cython.locals(noise=NoiseLearner)
    cdef list _seek_sway(self, long long end_ns)
    cdef list _declare_breath(self, long long end_ns)
    @cython.locals(fit=Estimate, known=bint)
    cdef list _declare_sway(self, long long end_ns)
    cdef list _tell_late(self, long long end_ns, str change)
    cdef Estimate _fit(self, Py_ssize_t n)
    @cython.locals(
        cells=Cells, learned=NoiseLearner, trail=Trail, reach=double, fit=Estimate, t=double[::1], x=double[::1],
        w=double[::1],
    )
    cdef Estimate _fit_alone(self, Py_ssize_t n)
    @cython.locals(cells=Cells)
    cdef Estimate _refined(self, Estimate fit, Py_ssize_t n)
    cdef double _asked(self) except? -1
    @cython.locals(trail=Trail, now_s=double, behind=double[::1], behind_s=double[::1])
    cdef Tails _tails(self, Py_ssize_t n)
    @cython.locals(lesson=Estimate, apart=double)
    cdef _learn_tail(self, Estimate fit)
    @cython.locals(cells=Cells, start=Py_ssize_t)
    cdef list _declare(self, Estimate fit, long long end_ns)
    cdef _level(self, Estimate fit, long long end_ns)
    @cython.locals(span=double, pause_s=double)
    cdef _settle(self, Estimate fit)
    cdef list _rest(self, Cell cell)
    @cython.locals(now=double, pace=double, fit=Estimate)
    cdef list _refine(self)
    cdef list _apart(self, Estimate fit)
    cdef _pay(self)
    cdef _with_parts(self, level)
    @cython.locals(cells=Cells, to_ns=cython.longlong)
    cdef _restated(self, Estimate fit, str change, Py_ssize_t n)
    @cython.locals(told=Py_ssize_t)
    cdef list _moved(self, Py_ssize_t start)
    @cython.locals(cells=Cells, last=Py_ssize_t, fit=Estimate)
    cdef list _close(self, Py_ssize_t end, str change)
    cdef _keep_lesson(self, Estimate fit)
    cdef _drop(self, Py_ssize_t count)
