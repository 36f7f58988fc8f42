"""Every refusal and every flag, once: its reason and its remedy as a sentence each."""

from dataclasses import dataclass
from typing import Final, NoReturn

from reader.errors import PhotoRefusedError, RefusalValue
from reader.words import windows_named


@dataclass(frozen=True, kw_only=True, slots=True)
class Refusal:
    """Why a photo gets no verdict and what the technician does about it; both are str.format templates."""

    reason: str
    remedy: str


REFUSALS: dict[str, Refusal] = {
    "unreadable": Refusal(
        reason="the file cannot be read: {why}",
        remedy="check its name, its place and your permission to read it",
    ),
    "not_an_image": Refusal(
        reason="not a photo: {found}; JPEG, PNG, TIFF, WebP or HEIC was expected",
        remedy="give the photo as the phone saved it, or export it as JPEG",
    ),
    "drawn": Refusal(
        reason="this is a picture that linecall drew, not a photo of a plate",
        remedy="give the photo that it was drawn from",
    ),
    "damaged": Refusal(
        reason="the {form} file is damaged: {why}",
        remedy="copy it whole from the phone once more; if that does not help, photograph the plate again",
    ),
    "unusual_encoding": Refusal(
        reason="{found} has no colours that can be measured here",
        remedy="export the photo as JPEG, or as PNG or TIFF of 8 or 16 bits a channel, without "
        "high dynamic range",
    ),
    "too_large": Refusal(
        reason="the photo is too large: {found}",
        remedy="photograph at the phone's usual resolution; 12 megapixels are plenty",
    ),
    "too_small": Refusal(
        reason="the photo is too small: {width} x {height} px, each side needs at least {limit}",
        remedy="give the original photo, not its thumbnail",
    ),
    "no_plate": Refusal(
        reason="no plate found",
        remedy="lay one plate flat on a plain surface or on the photo card, with nothing on it and no lamp mirrored "
        "in it, fill most of the frame with it and photograph it from straight above",
    ),
    "two_plates": Refusal(
        reason="more than one plate in the picture",
        remedy="photograph each plate by itself, with the others out of the frame",
    ),
    "mirrored": Refusal(
        reason="the picture is mirrored: the plate's cut corner is on the wrong side of its windows",
        remedy="switch mirroring off (many front cameras mirror) or use the back camera, and send the photo unedited",
    ),
    "cropped": Refusal(
        reason="the frame cuts the plate off",
        remedy="move back a little until the whole plate is in the frame, and photograph it again",
    ),
    "which_layout": Refusal(
        reason="the plate could be a {first} plate or a {second} plate",
        remedy="name the layout with --layout, or photograph the plate from straight above in even light",
    ),
    "which_way_up": Refusal(
        reason="it is not certain which way up the plate lies: its cut corner or its openings are not clear enough",
        remedy="keep the cut corner and all openings in view and in even light, and photograph from straight above",
    ),
    "too_few_pixels": Refusal(
        reason="the plate is too small in the picture: {found:.1f} px per mm, {needed:.1f} are needed",
        remedy="move {closer:.1f} times as close, or use the phone's full resolution",
    ),
    "overexposed": Refusal(
        reason="the membranes are blown out to white in {windows}",
        remedy="tap on the plate so that the camera exposes for it, or turn the flash and the nearest lamp off",
    ),
    "glare": Refusal(
        reason="glare covers {windows}",
        remedy="move the lamp or turn the plate until no lamp is mirrored in {windows}, and photograph it again",
    ),
    "window_hidden": Refusal(
        reason="{windows} cannot be seen whole",
        remedy="take away what covers {windows} and photograph from straight above",
    ),
    "blurred": Refusal(
        reason="the picture is too blurred{far}",
        remedy="rest the phone or your elbows on something, tap on the plate to focus, give more light, "
        "and photograph it again",
    ),
    "shaken": Refusal(
        reason="the photo is shaken{far}",
        remedy="rest the phone or both elbows on something, give more light, and let it take the photo by its timer or "
        "a touch on its side button",
    ),
    "one_photo": Refusal(
        reason="one photo alone cannot be read as several of one plate",
        remedy="give two photos of the plate or more, or leave out --same-plate",
    ),
    "same_photo": Refusal(
        reason="{first} and {second} are one and the same file",
        remedy="give photos that were taken one by one, from other angles or in other light",
    ),
    "other_layout": Refusal(
        reason="the photos show plates of different layouts: {found}",
        remedy="read each plate by itself; if it is one plate, name its layout with --layout",
    ),
    "times_apart": Refusal(
        reason="the photos were taken too far apart: {why}",
        remedy="read photos of one reading time together{alone}; if a clock was wrong, give the photos' "
        "--reading-age",
    ),
    "not_one_plate": Refusal(
        reason="the photos contradict each other: {found}",
        remedy="make sure that all photos show one plate; if they do, photograph it again without glare, "
        "shadows and hairs on it{odd}",
    ),
    "too_few_photos": Refusal(
        reason="of {count} photos of one plate {left} left: {why}",
        remedy="photograph the plate again from another angle{alone}",
    ),
}

COPY = Refusal(
    reason="the file is not the camera's own: it was shrunk, taken from a screen or compressed anew",
    remedy="send the original file, as a file and not as a picture in a chat",
)
"""What is said of a file that may have lost what its original shows."""

FLAGS: dict[str, str] = {
    "odd_orientation": "the file's orientation tag makes no sense; the photo is taken as it is stored",
    "broken_exif": "the file's EXIF block is broken; its orientation and capture time may be lost",
    "odd_capture_time": "the file's capture time makes no sense and is left out",
    "no_time_offset": "the capture time has no offset from UTC, so it is only what the phone's clock showed",
    "several_pictures": "the file holds several pictures; the first one is read",
    "was_transparent": "the photo had transparent parts; they are laid on white",
    "profile_converted": "the photo's colours are converted to sRGB from another colour profile",
    "profile_unusable": "the photo's colour profile cannot be used; its colours are taken as sRGB",
    "colour_not_carried": "the line is too faint for this file to carry its colour; it was called by its height",
    "part_of_breadth": "a line lies over part of the window's breadth only",
    "smoothed": "the membrane has less grain than light itself makes: the phone or an app smoothed the picture, and a "
    "faint line with it; give more light, switch filters off, and send the original file",
    "near_white": "the membrane is so bright that the camera flattens what is on it; tap on the plate so that it is "
    "exposed darker",
    "veiled": "light mirrored or scattered over the window takes contrast from all that is on it; move the lamp or "
    "turn the plate",
    "compressed": "the file is compressed so hard that a faint line is rounded away; send the original file",
    "few_tones": "the picture has only few levels of brightness, too far apart for a faint line; switch filters off, "
    "and send the original file",
    "not_original": f"{COPY.reason}; {COPY.remedy}",
    "window_off": "the reference line lies at the end of its search; the window may have been misplaced",
    "place_unsure": "too little of the plate's edges and openings is seen to be sure where its windows lie; photograph "
    "it whole, from straight above, in even light",
    "not_seen": "the mark's place is hidden or blown out",
    "stray_bytes": "the JPEG file ends in a few bytes of padding that its decoder ignored",
}


PROSE: Final = frozenset({"alone", "far", "found", "left", "odd", "why"})
"""Values that are part of an English sentence, where they are texts: no other language could use them."""


def refuse(code: str, **values: float | str | list[str]) -> NoReturn:
    """Raise PhotoRefusedError for `code`, its templates filled from `values`; a list holds the ids of windows.

    Values that no template names go with it too, for sentences in other languages.
    """
    refusal = REFUSALS[code]
    told = {
        name: windows_named(value) if isinstance(value, list) else value for name, value in values.items()
    }
    carried: dict[str, RefusalValue] = {
        name: tuple(value) if isinstance(value, list) else value
        for name, value in values.items()
        if not (name in PROSE and isinstance(value, str))
    }
    raise PhotoRefusedError(code, refusal.reason.format(**told), refusal.remedy.format(**told), carried)
