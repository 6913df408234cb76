# Types for compiling sway.py; where nothing is compiled nobody reads this.
cimport cython
from logger.settling.cells cimport Cells, Trail
from logger.settling.noise cimport NoiseLearner
from logger.settling.tail cimport Estimate

@cython.locals(n=Py_ssize_t, lo=Py_ssize_t, look_s=double)
cpdef bint sways(Cells cells, double sway, settings) except -1

@cython.locals(count=Py_ssize_t, half=Py_ssize_t, span=double, gone=double)
cdef bint _to_and_fro(t, x, settings) except -1

@cython.locals(few=bint, most=double)
cpdef bint beyond_noise(Estimate fit, double sd, NoiseLearner noise) except -1

cpdef bint swung_back(last, double peak, NoiseLearner noise, long long now_ns) except -1

@cython.locals(look_s=double)
cpdef double breath_s(Trail trail, last, double peak, NoiseLearner noise, long long now_ns) except -1

@cython.locals(lately=bint)
cdef bint _near(last, double peak, NoiseLearner noise, long long now_ns, double within_s) except -1

@cython.locals(less=Py_ssize_t)
cpdef tuple sway_cells(Cells cells, Trail trail, Py_ssize_t n, double look_s)
