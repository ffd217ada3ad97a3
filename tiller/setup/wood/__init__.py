"""From the log to the stave: what is measured of wood before it is a bow, by question and answer and by command alike."""
