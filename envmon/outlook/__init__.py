"""When a bay will be fit, and how long it will stay so: pure, from readings to minutes and words.

::

    readings -> frame (a row a minute) -> fit (nightly) -> ModelFacts -> update (as errors come)
                  │                                             │
                  └── recent rows ──> outlook: hidden state, forward, experts, intervals ──> words
"""
