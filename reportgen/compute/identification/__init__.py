"""Identification: modes from a moving sweep, freed of what the sweep did to the log.

Which file does what, in the order of the procedure:

=========================  ============================================================================================
``swept_response``         what goes in (``SweptResponse``) and what comes out (``Identification``, ``ChannelFit``)
``procedure``              ``identify_modes``: the search, and what else is tried where its end is in doubt

What is fitted
``fit_problem``            a run becomes a ``FitProblem``
``noise_only_rows``        stretches in which a channel reads noise and not the specimen
``drive_level``            the level that drove the specimen, from a control reading that has noise of its own
``sweep_law``              the law by which the frequency follows time, freed of rounding and jitter
``drive``                  amplitude, frequency and phase of the drive at the rows and between them
``step_timing``            events of the drive: where a level was turned within a row, what was lacking at the start

The model
``envelope``               the response of one pole to the sweep as it ran
``tracking_filter``        what a tracking filter does to that response
``mains_columns``          what a mains line looks like in the log
``modal_model``            poles, residues and background: one column a coefficient

The fit
``readings``               what was measured on the fitted rows, and its weights
``least_squares``          ``FitProblem`` → ``Solution``: poles shared, coefficients a channel's own
``magnitude_fit``          coefficients and signs of a channel without phase
``normal_equations``       of one channel's coefficients
``noise_model``            noise of a log from the log itself; weights

The search: every step takes a ``SearchState`` and returns another
``search_state``           problem, solution, noise, and the record of what was rejected, tried and left out
``model_order``            ``search``: sequential selection, then rounds of candidates and elimination
``candidates``             where modes may be: a bank of swept resonances held against what the model leaves
``mode_placement``         one more mode where it fits best among those beside it
``mode_evidence``          what speaks for a mode: the criterion; comparison of whole models (Schwarz)
``elimination``            modes that do not meet the criterion are taken out, with the reason
``mains_recognition``      mains lines told from modes
``unstated_filter``        a tracking filter that nobody stated, by its delay
``final_model``            background terms, complex residues, clusters and overlapping modes
``asked_mode``             one mode more where the engineer asks for it, and what the data say of it
``steady_state``           rows that show steady vibration although they carry a time

What is said
``uncertainty``            standard uncertainties; the steady-state peak
``recorded_peak``          what the log shows as recorded, and how far the sweep changed it
``mode_report``            the end of a search becomes records with typed facts (``records/identified_fact``)
``findings``               reasons of rejection; the sentence for each fact
=========================  ============================================================================================

To add an unknown of a mode, begin at ``Poles.parameters`` and ``modal_model.columns``; an unknown of the run, at
``step_timing``; another model to compare, at ``procedure``, with ``mode_evidence.schwarz``; another objection to a
mode, at ``elimination.objection`` with a ``RejectionReason``.
"""

from reportgen.compute.identification.mode_report import CRITERION
from reportgen.compute.identification.procedure import Ended, identified, identify_modes
from reportgen.compute.identification.recorded_peak import (
    eta_of_loss,
    fastest_rate,
    iso_7626_2_rate,
    observed,
    swept_curve,
)
from reportgen.compute.identification.swept_response import ChannelFit, Identification, SweptResponse

__all__ = [
    "CRITERION",
    "ChannelFit",
    "Ended",
    "Identification",
    "SweptResponse",
    "eta_of_loss",
    "fastest_rate",
    "identified",
    "identify_modes",
    "iso_7626_2_rate",
    "observed",
    "swept_curve",
]
