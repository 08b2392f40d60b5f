"""Plan test welds, read what was measured, and find the setting window that can be claimed.

Table of contents, in the order data flow (nothing is imported here, so that starting is quick):

- ``doe.study.read_study(path) -> Study``
- ``doe.planning.plan_welds(study, *, seed, given=None) -> Plan``
- ``doe.planning.score_plan(study, settings) -> PlanQuality``
- ``doe.bench.read_results(path, study) -> Results``
- ``doe.models.fit_responses(results, *, seed, textbook=False) -> Fit``
- ``doe.window.find_window(fit, *, seed) -> Window``
- ``doe.window.next_welds(fit, *, n, seed) -> Plan``
- ``doe.report.write_report(study, plan, results, fit, window, folder) -> list[Path]``
- ``doe.trade``: arc energy, cooling, preheat, supply: functions of numbers with their sources
- ``doe.virtual``: virtual welders with a hidden truth; ``doe.rehearsal``: whole studies run on them
- ``doe.units``, ``doe.coding``, ``doe.terms``, ``doe.errors``: leaves
"""
