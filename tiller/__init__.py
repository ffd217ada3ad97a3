"""tiller: a tillering assistant for the maker of wooden bows."""

import os

# read by cv2 when it is imported: on Windows a camera else takes half a minute to open; on Linux a lost one holds for ten seconds
os.environ.setdefault("OPENCV_VIDEOIO_MSMF_ENABLE_HW_TRANSFORMS", "0")
os.environ.setdefault("OPENCV_VIDEOIO_V4L_SELECT_TIMEOUT", "2")
# a picture's header is believed up to so many pixels, ten times a webcam's best: a small file may claim to unpack to gigabytes
os.environ.setdefault("OPENCV_IO_MAX_IMAGE_PIXELS", "100000000")

__version__ = "0.1.0"
