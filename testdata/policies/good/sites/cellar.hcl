site "cellar" {
}

ups "rack" {
  rated_watts = 1500
  battery {
    chemistry = "vrla"
    volts     = 24
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    path = "/dev/hidraw0"
  }
  output {
    cut_after    = "2m"
    return_after = "30s"
  }
}

host "board" {
  group    = "own"
  fed_by   = ["rack"]
}
