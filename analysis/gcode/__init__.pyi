from .trace import trace_file as trace_file
from .trace_data import Trace as Trace
from .trace_data import TracedFeature as TracedFeature
from .trace_words import warnings_of as warnings_of
from .traced_print import diagnose_traced as diagnose_traced
from .traced_print import traced_walk as traced_walk
