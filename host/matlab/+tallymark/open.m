function box = open(where)
%OPEN  Opens a marker box.
%   box = tallymark.open('/dev/ttyACM0')     a serial port; on Windows 'COM3'
%   box = tallymark.open('socket://HOST:PORT')
%
%   Identifies the box (6 s at most: some boards restart when they are opened) and returns a
%   tallymark.Box. Raises tallymark:open, tallymark:nobox or tallymark:version.
box = tallymark.Box(where);
end
