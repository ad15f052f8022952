"""What is made of a knot beside it, such as its piece or its kit: a job for each knot, and what was made lately."""

import bpy
from bpy.app.translations import pgettext_rpt as rpt_

from . import jobs, store


class Maker:
    """Makes one kind of thing of knots: at a window in a thread, one at a time for each knot, and else at once.

    Parameters
    ----------
    look : str
        Name of the settings of a knot that hold the ``error``.
    label : str
        What is being done, with a place for the knot's name.
    step : str
        Name of the undo step.
    fault : str
        Words where it fails by a fault of ours.
    """

    def __init__(self, look, *, label, step, fault):
        self.look, self.label, self.step, self.fault = look, label, step, fault
        self._jobs = {}

    def job_of(self, knot_object):
        """The job that makes it, or None."""
        job = self._jobs.get(knot_object.name)
        return None if job is None or job.is_cancelled else job

    def refuse(self, knot_object, error):
        """Say why it was not made; the one that is there stays."""
        getattr(knot_object, self.look).error = jobs.why(error, rpt_(self.fault))

    def make(self, knot_object, work, take):
        """Do ``work(progress)``, for any thread, and then ``take(knot_object, result)`` in Blender's own.

        Returns
        -------
        bool
            Whether nothing is known against it so far.
        """
        name = knot_object.name
        getattr(knot_object, self.look).error = ""
        if not jobs.can_wait():
            try:
                take(knot_object, work(jobs.untold))
            except Exception as error:
                self.refuse(knot_object, error)
                return False
            return True

        def done(result, error, _seconds):
            self._jobs.pop(name, None)
            each = bpy.data.objects.get(name)
            if not store.is_knot(each) or not store.is_ours(each) or each.mode != "OBJECT":
                return
            try:
                if error is not None:
                    raise error
                take(each, result)
            except Exception as raised:
                self.refuse(each, raised)
            else:
                bpy.ops.ed.undo_push(message=rpt_(self.step))
            jobs.redraw(bpy.context)

        if name in self._jobs:
            jobs.cancel(self._jobs[name])
        self._jobs[name] = jobs.Job(rpt_(self.label).format(name), work, done, lambda: self._jobs.pop(name, None))
        jobs.start(self._jobs[name])
        return True


class Lately:
    """The ``most`` things made last, by their digests; they are too large for all to be kept."""

    def __init__(self, most):
        self.most, self._made = most, {}

    def keep(self, digest, made):
        """Keep what was made."""
        self._made.pop(digest, None)
        self._made[digest] = made
        for old in list(self._made)[: -self.most]:
            del self._made[old]

    def get(self, digest, make):
        """What was made of this digest, by ``make()`` where it is no longer here."""
        if digest not in self._made:
            self.keep(digest, make())
        return self._made[digest]

    def clear(self):
        """Keep nothing."""
        self._made.clear()
