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
cpdef bint swings(Estimate fit, double sd, NoiseLearner noise) except -1

@cython.locals(rest_s=double, gone_s=double)
cpdef bint swung_back(last, double peak, double sway, long long now_ns, s) except -1

@cython.locals(far=double, look_s=double)
cpdef double breath(Trail trail, last, double peak, NoiseLearner noise, long long now_ns) except -1

cpdef tuple swayed(Cells cells, Trail trail, Py_ssize_t n, double look_s)
