"""Nights drawn as measured rows, and what is told of them."""

from runlog.core.grading.grade import grade_run
from runlog.core.grading.policy import Policy
from runlog.core.story.model import GradedLight
from runlog.core.story.tell import tell


def told(frames):
    """Grade a run."""
    verdicts = grade_run(frames, Policy())
    return [GradedLight(f, verdicts[f.key], verdicts[f.key].grade) for f in frames]


def story(frames, dark=None, **sky):
    """Grade a run and tell its story."""
    return tell(told(frames), Policy(), dark, **sky)


def events(frames, kind, dark=None, **sky):
    """Give the events of one kind."""
    return [e for e in story(frames, dark, **sky).events if e.kind == kind]
