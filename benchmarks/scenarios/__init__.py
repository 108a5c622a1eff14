"""Virtual drip systems with their truth beside them, for tests and benchmarks.

Hydraulics and transport come from EPANET 2.2 (``wntr``), conductivity from PHREEQC (``phreeqc``, database
phreeqc.dat); dispersion, meter gains, lags, noise, counts, clocks and gaps are drawn from a seed.

>>> from benchmarks.scenarios.make import make
>>> scenario = make(7)                      # one run of one zone with a proportional pump
>>> scenario.installation.name
'Virtual 7'

``make(seed, *, kind="proportional pump", flush="full", compensating=False, shape="inverse Gaussian",
transport=True, ideal=False, stock=None, sag=0.0, without=())`` returns a `Scenario`:

``scenario.installation``   `ingest.installation.Installation`, one zone ``"z1"``
``scenario.readings``       DataFrame with the archive's columns (time, sensor, value, quality, received)
``scenario.truth``          `Truth`: run and injection, fraction, volumes, grams, tank, travel, clear-out
``scenario.view()``         the `RunView` that the pipeline would make, run and injection taken from the truth

``kind``          ``"proportional pump"`` or ``"displacement tank"``
``flush``         ``"full"``: water runs until the far end is clear; ``"short"``: the run stops before that
``compensating``  emitters that hold their flow whatever the pressure (exponent 0)
``shape``         residence-time shape, a key of `residence.SHAPES`
``transport``     False leaves out the far sensors and EPANET's water quality run (ten times faster)
``sag``           relative fall of the ratio through the injection
``without``       sensors to leave out, for example ``("stock_meter",)``
``ideal``         no gain, lag, noise, clock, gap or laboratory error: what is left is the method's own error

Accuracies are drawn as normal errors with the standard deviations of `sensors.SPREAD`, and the installation
states the limits whose rectangular standard uncertainty is the same (limit = sqrt(3) sd).
"""
