"""The words for what is seen of a stand, in the order in which its stages come."""

from collections.abc import Sequence

from models.looks import ALSO_CALLED, STAGES_SEEN


def stages_in_order(*, legume: bool) -> Sequence[str]:
    """Return the words for the stages of grasses or of legumes; nobody wants to read all codes.

    Examples
    --------
    >>> stages_in_order(legume=False)[3:6]
    ['boot', 'early heads', 'heads here and there']
    """
    words = [said for said in STAGES_SEEN[legume] if said.islower()]
    place = {said: number for number, said in enumerate(words) if said not in ALSO_CALLED}
    return sorted(words, key=lambda said: (place[ALSO_CALLED.get(said, said)], said in ALSO_CALLED))
