"""What a bow is: limbs, stations, sections, woods, units, and the files that say so."""
