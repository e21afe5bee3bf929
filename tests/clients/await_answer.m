function await_answer(box, marker)
%AWAIT_ANSWER  Takes in answers until a marker is open no more: a busy computer may need some time.
from = tic;
while strcmp(marker.outcome, 'open')
    assert(toc(from) < 20);
    box.collect();
    pause(0.002);
end
end
