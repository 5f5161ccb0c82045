// Goes on to the page in place of the address with the code.
location.replace("/");
