"""Arrays in, frozen results out: sections, cutting, wear and load, forecast, steps, stock.

What to use when:

==============================================  ============================  ===============================
question                                        function                      needs
==============================================  ============================  ===============================
How large is the section of this bar?           ``sections.round_bar`` …      dimensions [mm]
How many pieces does a bar give?                ``bar.bar_plan``              lengths
How fast do the teeth go, how thick is a chip?  ``cutting.rim_speed_m_s`` …   diameter, teeth, rpm, feed
What power does a sharp blade take?             ``cutting.kienzle_n_mm2`` …   coefficients with their source
How dull is the edge by its energy?             ``energy.EdgeIndex``          energy, area and feed per stroke
How much wear does a square metre cost?         ``joint.fit_joint``           ended grind cycles, as stints
How worn is the blade now?                      ``running.standing``          a fit and the running cycle
How much can it still cut?                      ``jobs.run_down``             where it stands, past jobs
How well does it tell cycles it has not seen?   ``estimator.WearModel``       scikit-learn's tools
Until when?                                     ``forecast.hours_until``      cuts, cuts by hour of past weeks
What has this grind cycle done so far?          ``cycle.CycleState``          its strokes, one by one
Did the load step down at a stop?               ``steps.StepWatch``           load and part per stroke
Does a number stand in another unit?            ``unitstep.UnitWatch`` …      feed per stroke, idle power a day
How many sharp blades must a shop own?          ``stock.pipeline``            changes a day, turn-round
When does a wear curve meet its limit?          ``taylor.crossing``           readings of wear over usage
==============================================  ============================  ===============================

Everything is pure: no clock, no hidden randomness, no input or output. The unit is in the name.
"""
