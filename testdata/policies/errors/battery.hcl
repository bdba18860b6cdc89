# Batteries and charts that cannot be.

site "barn" {
}

variable "chart" {
  value = { "675" = "29m", "1350" = "30m" } # ERROR: Chart does not fall
}

ups "a" {
  class       = "online" # ERROR: Unknown choice
  rated_watts = 2700
  battery {
    chemistry = "lead" # ERROR: Unknown choice
    volts     = 72
    amp_hours = 9
    installed = "1066-10-14" # ERROR: Invalid date
    chart     = var.chart
  }
  hid {
    serial = "1"
  }
}

ups "b" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    chart     = {} # ERROR: Out of range
  }
  hid {
    serial = "1"
  }
}

ups "c" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    chart = {
      "heavy" = "12m"  # ERROR: Out of range
      "-5"    = "29m"  # ERROR: Out of range
      "NaN"   = "29m"  # ERROR: Out of range
      "675"   = 29     # ERROR: Duration without unit
      "700"   = "29m"
      "700"   = "28m"  # ERROR: Duplicate entry
    }
  }
  hid {
    serial = "1"
  }
}

ups "d" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    chart = {
      700   = "29m"
      700.5 = "28m" # ERROR: Chart does not fall
      1350  = "12m"
      2700  = "12m" # ERROR: Chart does not fall
    }
    model { # ERROR: Exactly one is needed
      store_watt_hours = 312
      ohmic            = "9m"
    }
  }
  hid {
    serial = "1"
  }
}

ups "e" {
  rated_watts = 2700
  battery {
    chemistry          = "lfp"
    chart              = ["675"] # ERROR: Wrong kind of value
    end_volts_per_cell = 1.75    # ERROR: Does not apply here
  }
  hid {
    serial = "1"
  }
}

ups "f" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    model { # ERROR: Implausible battery model # ERROR: Missing attribute
      fitted           = "last week" # ERROR: Invalid date
      store_watt_hours = 5.2
      ohmic            = "9m"
      diffusion        = "64m"
    }
  }
  hid {
    serial = "1"
  }
}

ups "g" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    model "x" { # ERROR: Wrong name of a block
      store_watt_hours = 0 # ERROR: Out of range
      ohmic            = "0s"
    }
  }
  battery { # ERROR: Duplicate block
  }
  hid {
    serial = "1"
  }
}
