# Dependencies that go round, by depends_on, by runs_on, or by both.

site "barn" {
}

ups "rack" {
  rated_watts = 2700
  battery {
    chemistry = "vrla"
    volts     = 72
    amp_hours = 9
    installed = "2025-03-01"
  }
  hid {
    serial = "1"
  }
}

host "a" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  depends_on = ["b"] # ERROR: Dependencies in a circle
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "b" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  depends_on = ["c"]
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "c" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  depends_on = ["a"]
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "itself" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  depends_on = ["itself"] # ERROR: Dependencies in a circle
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

# A hypervisor that needs its own guest would have to outlive it and go before it.

host "hyper" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  depends_on = ["guest"]
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "guest" {
  priority = 50
  stops_in = "1m"
  runs_on = "hyper" # ERROR: Dependencies in a circle
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "nest-1" {
  priority = 50
  stops_in = "1m"
  runs_on = "nest-2" # ERROR: Dependencies in a circle
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "nest-2" {
  priority = 50
  stops_in = "1m"
  runs_on = "nest-1"
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

host "hangs-on" {
  priority = 50
  fed_by   = ["rack"]
  watts    = 50
  stops_in = "1m"
  depends_on = ["a"]
  ssh {
    address     = "192.0.2.20"
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
}

variable "x" {
  value = "${var.y}"
}

variable "y" {
  value = upper(var.z)
}

variable "z" {
  value = "a${var.x}" # ERROR: Variables in a circle
}

group "one" {
  group = "two" # ERROR: Groups in a circle
}

group "two" {
  group = "one"
}

group "me" {
  group = "me" # ERROR: Groups in a circle
}
