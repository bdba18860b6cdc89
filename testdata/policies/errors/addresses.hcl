# Addresses that are none.

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
  ssh {
    address     = "" # ERROR: Invalid address
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "" # ERROR: Invalid text
  }
  ssh {
    address     = "ssh://192.0.2.20" # ERROR: Invalid address
    user        = "a\tb\u0007"       # ERROR: Invalid text
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  ssh {
    address     = "192.0.2.20:0" # ERROR: Invalid address
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  ssh {
    address     = "192.0.2.20:70000" # ERROR: Invalid address
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  ssh {
    address     = "[2001:db8::1" # ERROR: Invalid address
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  ssh {
    address     = "192.0.2.310" # ERROR: Invalid address
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  ssh {
    address     = "192.0.2" # ERROR: Invalid address
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  ssh {
    address     = "2001:db8:::1" # ERROR: Invalid address
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  ssh {
    address     = "the vault" # ERROR: Invalid address
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  ssh {
    address     = "2001:db8::xyz" # ERROR: Invalid address
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  ssh {
    address     = "-oProxyCommand" # ERROR: Invalid address
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  ssh {
    address     = 192 # ERROR: Wrong kind of value
    user        = "ebbline"
    key         = secret("ssh-key")
    known_hosts = "/etc/ebbline/known_hosts"
  }
  probe {
    address = "192.0.2.20" # ERROR: Invalid address
  }
  wake {
    ethernet = "02:00:00:00:00" # ERROR: Invalid Ethernet address
  }
  wake {
    ethernet = "02:00:00:00:00:2g"     # ERROR: Invalid Ethernet address
    to       = "192.0.2.255"           # ERROR: Invalid address
  }
  wake {
    ethernet = "ff:ff:ff:ff:ff:ff"     # ERROR: Invalid Ethernet address
    to       = "[2001:db8::1]x:9"      # ERROR: Invalid address
  }
  wake {
    ethernet = "0200.0000.0020"        # ERROR: Invalid Ethernet address
  }
}
