# Blocks and attributes that are no part of the language, in the wrong place,
# missing or given twice.

ride_throug = "75s"  # ERROR: Unknown attribute
reserve     = "90s"  # ERROR: Unknown attribute

sight "barn" { # ERROR: Unknown block
}

battery { # ERROR: Unknown block
}

site "barn" {
  ride_thorugh = "75s" # ERROR: Unknown attribute
  restore      = "5m"  # ERROR: Unknown attribute
  reserve {            # ERROR: Unknown block
  }
  restor { # ERROR: Unknown block
  }
  restore {
    stable_for = "5m"
  }
  restore { # ERROR: Duplicate block
  }
}

ups { # ERROR: Wrong name of a block # ERROR: Missing attribute # ERROR: Missing block # WARNING: UPS not read
}

ups "rack" "two" { # ERROR: Wrong name of a block # ERROR: Missing attribute # ERROR: Missing block # WARNING: UPS not read
}

ups "shelf" {
  rated_watts = 900
  rated_watts = 950 # ERROR: Duplicate attribute
}

ups "closet" { # ERROR: Missing attribute
  battery "b" { # ERROR: Wrong name of a block
    chemistry = "vrla"
    volts     = 24
    model {     # ERROR: Missing attribute
      diffusion = "0s"
    }
  }
  hid { # ERROR: Exactly one is needed
  }
}

load "radio" { # ERROR: Missing attribute # ERROR: No feed
}

host "vault" { # ERROR: Missing attribute # ERROR: No feed # WARNING: Stopping time assumed # ERROR: Host without a way to stop it
}

group "guests" {
  priorty = 5 # ERROR: Unknown attribute
  ssh {
    adress = "192.0.2.9" # ERROR: Unknown attribute
  }
  ssh "x" { # ERROR: Wrong name of a block
  }
}
