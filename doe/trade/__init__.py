"""The trade's own arithmetic and published limits: functions of numbers, each with unit, source and range.

- ``arc``: arc energy, heat input (k by process), US and metric
- ``cooling``: t8/5, transition thickness
- ``preheat``, ``hydrogen``: carbon equivalents, preheat by CET, minimum preheat of AWS D1.1, hydrogen control
- ``supply``, ``breaker``, ``cord``: line current, load line, duty, effective current, trip bands, cord drop
- ``load``: what one weld asks of the circuit, in words
- ``burn_off``, ``deposit``: wire feed and current, the fit to one's own log, deposit, fillet size, wire and plate
- ``acceptance``, ``iso_5817``, ``aws_d11``, ``macro``: published limits, and the check of a macro against them
- ``dials``: calibration of a dial from timed wire pulls and volt readings
- ``figures``: ``FIGURES``, every named figure with its inputs, source and validity

A result that may lie outside its formula's range is a ``validity.Figure``: outside it holds no number and says which
bound is broken. ``data/trade-constants.csv`` lists every constant.
"""
