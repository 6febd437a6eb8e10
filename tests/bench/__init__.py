"""Speed, measured side by side in one run: `python -m tests.bench` prints ratios and saves them as JSON.

    clock     medians of process and wall time
    versus    all layers against the renderer's own path tracer at equal error
    draft     error of the cleaned draft against samples and time
    growth    time against lights, pixels and triangles; what a change costs
    child     stages and peak memory of a run in a process of its own, with and without compiled kernels
    sweep     `python -m tests.bench sweep`: a study's cost, sameness, pace; pace, sleepers: a model of many workers
    room      `python -m tests.bench room`: the painter's and the page's times after a drag and a fader's move
    report    all of them as one record, and its table

Times are process time (all threads together), so that ratios hold on a busy machine; wall time is noted beside them.
"""
