"""Pictures of flats laid over those of lights and of earlier flats, for their dust."""

from collections.abc import Sequence

from sqlalchemy import Connection

from runlog.core.calibration.dust import Shadows
from runlog.core.calibration.shadows import Image, middle_of, relief, shared
from runlog.ingest.preview import unpack
from runlog.store.flat_shadows import Pictured
from runlog.store.previews import get_preview

Pictures = Sequence[Pictured]


class Reliefs:
    """What stands out on the middle of some pictures; each middle is made once."""

    def __init__(self, connection: Connection) -> None:
        self._connection = connection
        self._made: dict[tuple[str, ...], Image] = {}

    def shared(self, of: Pictures, on: Pictures) -> Shadows | None:
        """Tell how much of the shadows of some pictures lies on others.

        Raises AssertionError where a picture is not stored.
        """
        return shared(self._relief(of), self._relief(on))

    def _relief(self, pictures: Pictures) -> Image:
        which = tuple(picture.key for picture in pictures)
        if which not in self._made:
            self._made[which] = relief(middle_of([self._image(one) for one in pictures]))
        return self._made[which]

    def _image(self, one: Pictured) -> Image:
        preview = get_preview(self._connection, one.id)
        assert preview is not None
        image: Image = unpack(preview.image).astype(float)
        return image - (one.pedestal_adu or 0.0)
